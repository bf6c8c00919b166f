"""Numeric fields over time, their limits, and how a value follows its set point."""
