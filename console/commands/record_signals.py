"""Signals that end a recording: the first in good order, a second Ctrl-C at once."""

from __future__ import annotations

import signal
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any

ENDS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


class Ending:
    """Inside `with`, signals ask for the end. One that was ignored (nohup) stays so.

    Args:
        at_once: called in the signal's handler, for what must not wait.
    """

    def __init__(self, at_once: Callable[[], None] | None = None) -> None:
        self.asked = False
        self._at_once = at_once
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Ending:
        for number in ENDS:
            if signal.getsignal(number) != signal.SIG_IGN:
                self._before[number] = signal.signal(number, self._note)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _note(self, number: int, _frame: FrameType | None) -> None:
        if self._at_once is not None:
            self._at_once()
        if self.asked and number == signal.SIGINT:
            raise KeyboardInterrupt
        self.asked = True
