"""What differs between runs, as text for people and as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from console.diagnosis.differences.differences import Difference, differences
from console.diagnosis.differences.habits import Habits
from console.printable import printable
from decoders.durations import in_words

_MOST_SHOWN = 8


def difference_lines(habits: Sequence[Habits]) -> Iterator[str]:
    """Each run beside the first; nothing where there is only one.

    Args:
        habits: of one device in the runs, in their order.
    """
    if len(habits) < 2:
        return
    first, *others = habits
    for other in others:
        found = differences(first, other)
        head = f"{printable(other.run)} beside {printable(first.run)}, while it was healthy:"
        if not found:
            yield f"{head} no difference"
            continue
        yield head
        for each in found[:_MOST_SHOWN]:
            yield f"  {printable(difference_words(each))}"
        if len(found) > _MOST_SHOWN:
            yield f"  and {len(found) - _MOST_SHOWN} more: --json has them"


def difference_words(found: Difference) -> str:
    """One difference in a line."""
    if found.what == "wait":
        return (
            f"{found.name}: {in_words(found.other)}, was {in_words(found.first)} "
            f"(x{found.ratio:.3g})"
        )
    if found.what == "new":
        return f"only here: {found.name}, {_hourly(found.other)}"
    if found.what == "missing":
        return f"not here: {found.name}, was {_hourly(found.first)}"
    low, high = found.interval or (math.nan, math.nan)
    within = f"95 % {low:.3g} to {high:.3g}"
    return (
        f"{found.name}: {_hourly(found.other)}, was {_hourly(found.first)} "
        f"(x{found.ratio:.3g}, {within})"
    )


def _hourly(rate: float) -> str:
    return f"{rate:,.0f} an hour" if rate >= 100 else f"{rate:.3g} an hour"


def differences_object(habits: Sequence[Habits]) -> list[dict[str, Any]]:
    """Each run beside the first, ready for JSON; what is infinite is null."""
    return [
        {
            "run": other.run,
            "beside": habits[0].run,
            "found": [_difference(each) for each in differences(habits[0], other)],
        }
        for other in habits[1:]
    ]


def _difference(found: Difference) -> dict[str, Any]:
    ends = found.interval
    return {
        "what": found.what,
        "name": found.name,
        "unit": "ns" if found.what == "wait" else "1/h",
        "first": found.first,
        "other": found.other,
        "ratio": _finite(found.ratio),
        "interval": None if ends is None else [_finite(end) for end in ends],
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
