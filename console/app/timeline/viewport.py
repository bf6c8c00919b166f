"""What stands on which row of the screen: events, folded waits, bits under an event, buckets.

The chosen event keeps its row when the depth changes or the run grows; rows are laid out from it
upwards and downwards, so a run of millions costs what its visible rows cost.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from console.app.timeline.shown import Shown

EVENT, WAIT, BIT, BUCKET, BLANK = range(5)
MARGIN = 2  # rows kept between the chosen event and the edge
BITS_SEEN = 10  # lines of bits that the chosen event makes room for: a summary and one run of bytes


@dataclass(frozen=True, slots=True)
class Line:
    """One row of the screen."""

    kind: int
    at: int = 0  # position of the event (of a wait: the event behind it), or bucket
    part: int = 0  # of bits: which of its lines


def event_lines(
    shown: Shown, chosen: int, y: int, height: int, bits: int = 0, first_bit: int = 0
) -> list[Line]:
    """Rows of the events depth.

    Args:
        shown: the events.
        chosen: position that stands on row y, or as near to it as the ends of the run and the
            room for `BITS_SEEN` lines under it allow.
        y: row wanted for it.
        height: rows there are.
        bits: lines of bits under the chosen event.
        first_bit: the first of them that is shown.
    """
    if not len(shown) or height <= 0:
        return [Line(BLANK)] * max(height, 0)
    y = max(0, min(y, height - 1 - min(bits - first_bit, BITS_SEEN)))
    above = _above(shown, chosen, y)
    room = height - len(above) - 1
    below = [Line(BIT, chosen, part) for part in range(first_bit, min(bits, first_bit + room))]
    below += _below(shown, chosen, room - len(below))
    lines = [*above, Line(EVENT, chosen), *below]
    if len(lines) < height:
        more = _above(shown, chosen, len(above) + height - len(lines))
        lines = [*more, Line(EVENT, chosen), *below]
    return lines[:height] + [Line(BLANK)] * (height - len(lines))


def _above(shown: Shown, position: int, rows: int) -> list[Line]:
    """At most so many rows above an event, the nearest last."""
    found: list[Line] = []
    while len(found) < rows and position >= 0:
        if shown.folds(position):
            found.append(Line(WAIT, position))
        position -= 1
        if position >= 0 and len(found) < rows:
            found.append(Line(EVENT, position))
    return found[::-1]


def _below(shown: Shown, position: int, rows: int) -> list[Line]:
    found: list[Line] = []
    position += 1
    while len(found) < rows and position < len(shown):
        if shown.folds(position):
            found.append(Line(WAIT, position))
        if len(found) < rows:
            found.append(Line(EVENT, position))
        position += 1
    return found


def bucket_lines(count: int, chosen: int, y: int, height: int) -> list[Line]:
    """Rows of the minutes depth: bucket `chosen` on row y, or as near as the ends allow."""
    first = max(0, min(chosen - y, count - height))
    rows = [Line(BUCKET, k) for k in range(first, min(first + height, count))]
    return rows + [Line(BLANK)] * (height - len(rows))


def row_of(lines: list[Line], wanted: Callable[[Line], bool]) -> int | None:
    """The first row for which `wanted` holds."""
    return next((y for y, line in enumerate(lines) if wanted(line)), None)


def within(y: int, height: int) -> int:
    """A row at least `MARGIN` from either edge, where the height has room for that."""
    margin = MARGIN if height > 4 * MARGIN else 0
    return max(margin, min(y, height - 1 - margin))
