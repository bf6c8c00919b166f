"""The first Ctrl-C asks to stop reading and tell what was found; the second ends the program."""

from __future__ import annotations

import signal
from types import FrameType, TracebackType


class Interrupt:
    """Inside `with`, SIGINT sets a flag that reading looks at; a second one raises."""

    def __init__(self) -> None:
        self.asked = False

    def __call__(self) -> bool:
        """Whether the user asked to stop."""
        return self.asked

    def __enter__(self) -> Interrupt:
        self._before = signal.signal(signal.SIGINT, self._note)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        signal.signal(signal.SIGINT, self._before)

    def _note(self, _number: int, _frame: FrameType | None) -> None:
        if self.asked:
            raise KeyboardInterrupt
        self.asked = True
