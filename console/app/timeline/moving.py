"""Steps from where the user stands: what keys, the wheel and the pointer ask for.

Each says whether there was anything to go to, so that who asked knows when to draw.
"""

from __future__ import annotations

from console.app.timeline.standing import DEPTHS, Standing, widths_that_fit
from console.app.timeline.viewport import BIT, BUCKET, EVENT


def move(standing: Standing, rows: int) -> bool:
    """Go some events or buckets on, at most to the last or the first one."""
    if standing.event is None:
        return False
    if standing.depth == "minutes":
        return standing.stand_in_bucket(standing.bucket + rows)
    return standing.stand_on(standing.cursor + rows)


def page(standing: Standing, pages: int) -> bool:
    """Go some screens on; lines of bits first."""
    if standing.depth == "bits" and standing.scroll_bits(pages * max(standing.count_of(BIT), 1)):
        return True
    rows = standing.count_of(BUCKET if standing.depth == "minutes" else EVENT)
    return move(standing, pages * max(rows - 1, 1))


def scroll(standing: Standing, rows: int) -> bool:
    """Go some rows on; first through lines of bits that are not on the screen."""
    has_bits = standing.depth == "bits" and (rows < 0 or standing.bits_below > 0)
    return (has_bits and standing.scroll_bits(rows)) or move(standing, rows)


def end(standing: Standing, *, last: bool) -> bool:
    """Go to the first or the last event."""
    if standing.shown is None or standing.event is None:
        return False
    standing.y = standing.height - 1 if last else 0
    return standing.stand_on(len(standing.shown) - 1 if last else 0)


def point_at(standing: Standing, y: int) -> bool:
    """Choose what stands on a row below the head line; the chosen one is looked at closer."""
    lines = standing.lines()
    if not 0 <= y < len(lines):
        return False
    line = lines[y]
    if standing.is_chosen(line):
        return look_closer(standing, 1)
    if line.kind == EVENT:
        return standing.stand_on(line.at)
    return line.kind == BUCKET and standing.stand_in_bucket(line.at)


def look_closer(standing: Standing, steps: int) -> bool:
    """Look from nearer by some steps, or from further away, at the same place."""
    at = DEPTHS.index(standing.depth) + steps
    return 0 <= at < len(DEPTHS) and standing.look_at(DEPTHS[at])


def widen(standing: Standing, steps: int) -> bool:
    """Take buckets wider by some steps, or narrower, as far as their counts fit in memory."""
    if standing.view is None or standing.depth != "minutes":
        return False
    fit = widths_that_fit(standing.view)
    at = min(range(len(fit)), key=lambda k: abs(fit[k] - standing.bucket_ns))
    return standing.take_width(fit[max(0, min(at + steps, len(fit) - 1))])
