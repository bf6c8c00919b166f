"""Facts that remember what was made of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Self, TypeVar

T = TypeVar("T")


class Once:
    """What several functions ask of one thing, worked out once."""

    def __init__(self) -> None:
        self._made: dict[object, Any] = {}

    def once(self, work: Callable[[Self], T]) -> T:
        """What a function makes of these facts, worked out once however many tests ask.

        Args:
            work: by which it is known; not a function made anew for each call.
        """
        if work not in self._made:
            self._made[work] = work(self)
        made: T = self._made[work]
        return made
