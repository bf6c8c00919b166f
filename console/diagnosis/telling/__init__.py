"""One episode told on one page, from everything that diagnosis found of it."""
