"""A line held low: at which bit, whose turn it was, what frees it, and what was tried."""
