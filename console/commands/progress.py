"""Progress on stderr: only on a terminal, only after half a second, gone at the end."""

from __future__ import annotations

import os
import sys
import time
from types import TracebackType

from console.printable import printable

PATIENCE_S = 0.5
EVERY_S = 0.1


class Progress:
    """One line that says what is being read and how far it is."""

    def __init__(self, *, wanted: bool = True) -> None:
        is_terminal = sys.stderr.isatty() and os.environ.get("TERM") != "dumb"
        self._shows = wanted and is_terminal
        self._begin = time.monotonic()
        self._last = 0.0
        self._drawn = False

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.clear()

    def __call__(self, what: str, done: int, total: int | None) -> None:
        """Say that `done` of `total` bytes (None: unknown) of `what` are read."""
        now = time.monotonic()
        if not self._shows or now - self._begin < PATIENCE_S or now - self._last < EVERY_S:
            return
        self._last, self._drawn = now, True
        part = f"{100 * done // total} %" if total else f"{done / 1e6:.0f} MB"
        sys.stderr.write(f"\r\x1b[K{printable(what)[:50]}  {part}")
        sys.stderr.flush()

    def clear(self) -> None:
        """Leave the line as if nothing had been there."""
        if self._drawn:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._drawn = False
