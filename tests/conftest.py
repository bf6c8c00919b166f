"""What holds for every test."""

from __future__ import annotations

import signal

from hypothesis import settings

# Under nohup a hang-up is ignored, and what tests start would inherit that.
signal.signal(signal.SIGHUP, signal.SIG_DFL)

# How long one example takes says how busy the machine is. Benchmarks measure; tests do not. The
# examples are the same in every run, so that a change is judged by what it changed. The search for
# new ones is a command of its own: `pytest -m hypothesis --hypothesis-profile=searching`.
settings.register_profile("any machine", deadline=None, derandomize=True)
settings.register_profile("searching", deadline=None, derandomize=False, max_examples=400)
settings.load_profile("any machine")
