"""Rows of the screen for where the user stands: what each shows, and that as a styled strip."""

from __future__ import annotations

from collections.abc import Callable

from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from console.app.timeline.gutter import Clock
from console.app.timeline.pieces import Row
from console.app.timeline.standing import Standing
from console.app.timeline.viewport import BIT, BUCKET, EVENT, WAIT


def row_on(standing: Standing, y: int, clock: Clock, mark_ns: int | None) -> tuple[Row, bool]:
    """The pieces on a row of the screen, and whether it is the chosen one.

    Args:
        standing: where the user stands.
        y: the row; the head line is row 0.
        clock: how times are written.
        mark_ns: what the clock counts from where that is a mark.
    """
    view, shown, drawing = standing.view, standing.shown, standing.drawing
    if view is None or shown is None or drawing is None:
        return [], False
    columns = standing.columns()
    if y == 0:
        return drawing.head(columns, standing.party, clock), False
    lines = standing.lines()
    if y > len(lines):
        return [], False
    line = lines[y - 1]
    is_chosen = standing.is_chosen(line)
    origin = mark_ns if clock == "mark" and mark_ns is not None else view.start_ns
    wall = view.wall_ns if clock == "wall" else None
    row: Row = []
    if line.kind == EVENT:
        row = drawing.event(shown, line.at, columns, origin, wall, chosen=is_chosen)
    elif line.kind == WAIT:
        row = drawing.wait(shown, line.at, columns)
    elif line.kind == BIT:
        row = drawing.bit_rows(shown.event(line.at), standing.width)[line.part]
    elif line.kind == BUCKET:
        row = drawing.bucket(standing.bucket_ns, line.at, columns, origin, wall, is_chosen)
    return row, is_chosen


def strip_of(
    row: Row, width: int, style_of: Callable[[str], Style], *, here: Style | None = None
) -> Strip:
    """A row in its styles, cut or filled to a width.

    Args:
        row: its pieces.
        width: in cells.
        style_of: the style of a piece by its name.
        here: laid over the row; None: as it is.
    """
    base = style_of("text")
    segments = [Segment(text, style_of(name)) for text, name in row if text]
    strip = Strip(segments).adjust_cell_length(width, base)
    if here is None:
        return strip
    return Strip([Segment(s.text, (s.style or base) + here) for s in strip])
