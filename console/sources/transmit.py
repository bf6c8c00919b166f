"""The right to send. Everything that sends asks for it; only the command line gives it."""

from __future__ import annotations

import time


class Transmit:
    """Given to what may send, until it is taken back.

    It is made in one place alone: where a command was given `--transmit`, and the user confirmed
    what will be sent. A test holds that.
    """

    def __init__(self) -> None:
        self._is_over = False  # no event of threads: a signal handler could wait for itself

    @property
    def is_over(self) -> bool:
        """Whether nothing may be sent any more."""
        return self._is_over

    def end(self) -> None:
        """Take it back, for good; from any thread or signal handler."""
        self._is_over = True

    def pause(self, seconds: float) -> bool:
        """Wait for so long, some ms; whether it was taken back by then."""
        time.sleep(seconds)
        return self._is_over
