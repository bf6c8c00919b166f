"""The right to send. Everything that sends asks for it; only the command line gives it."""

from __future__ import annotations

import threading


class Transmit:
    """Given to what may send, until it is taken back.

    It is made in one place alone: where a command was given `--transmit`, and the user confirmed
    what will be sent. A test holds that.
    """

    def __init__(self) -> None:
        self._over = threading.Event()

    @property
    def is_over(self) -> bool:
        """Whether nothing may be sent any more."""
        return self._over.is_set()

    def end(self) -> None:
        """Take it back, for good; from any thread or signal handler."""
        self._over.set()

    def pause(self, seconds: float) -> bool:
        """Wait for so long, or until it is taken back; whether it was."""
        return self._over.wait(seconds)
