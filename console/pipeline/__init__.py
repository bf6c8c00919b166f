"""Bench to sources to decoders to timeline: the only place that wires them."""
