"""Lifetimes: count or clock, how long a part lived, and how long a fix must last to be believed."""
