"""Values beside those of the last good events: the same, a counter that went on, or different."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from console.timeline.sheet.lines import Change

MISSING: Any = object()  # the event has no such value


def change_of(
    value: Any, before: Sequence[Any], steps: Sequence[int] = (), wraps_at: int | None = None
) -> Change:
    """How a value compares with those of the good events before it.

    A counter goes up by one each time, or by one for each event of its kind where bad ones lie
    between; it has done so each time that can be seen here.

    Args:
        value: of this event.
        before: of the good ones, newest first; `MISSING` where one has none.
        steps: events of the kind, good and bad, from each of those to the one after it.
        wraps_at: the number that an integer starts over at.
    """
    if not before:
        return Change.NONE
    was = before[0]
    if was is MISSING:
        return Change.NEW
    if _alike(value, was):
        return Change.SAME
    values = [value, *before]
    for after, earlier, step in zip(values, before, steps, strict=False):
        if earlier is MISSING:
            break
        if not _went_on(after, earlier, step, wraps_at):
            return Change.DIFFERS
    return Change.STEPS if steps else Change.DIFFERS


def _alike(value: Any, was: Any) -> bool:
    return type(value) is type(was) and bool(value == was)


def _went_on(after: Any, earlier: Any, step: int, wraps_at: int | None) -> bool:
    if type(after) is not int or type(earlier) is not int:
        return False
    apart = after - earlier
    return (apart if wraps_at is None else apart % wraps_at) in (1, step)
