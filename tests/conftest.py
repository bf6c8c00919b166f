"""What holds for every test."""

from __future__ import annotations

from hypothesis import settings

# How long one example takes says how busy the machine is. Benchmarks measure; tests do not.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
