"""Edges to transactions, bytes, words and pulses."""
