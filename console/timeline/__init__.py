"""Clocks, events and tables on the one common axis."""
