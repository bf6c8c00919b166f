"""The trust sheet: what each source can and cannot prove, and over which span of time."""
