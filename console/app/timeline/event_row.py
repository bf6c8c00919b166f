"""One event as a row: its words on its own lifeline, and the arrow from what caused it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len

from console.app.signs import Signs
from console.app.timeline.columns import Column, Columns
from console.app.timeline.pieces import Piece, Row, cut, filled, right_filled
from console.timeline.events import BAD, GOOD, ODD, UNSEEN

STATE_STYLES = {GOOD: "text", ODD: "odd", BAD: "bad", UNSEEN: "unseen"}
LABEL_ROOM = 3  # cells of an arrow that its label leaves free


@dataclass(frozen=True, slots=True)
class Told:
    """What a row says of one event; `words` is clean."""

    party: int
    state: int
    words: str
    name: str = ""  # of the party, clean; said where its column is beside the screen
    absent: bool = False  # it should be here and is not
    cause: int | None = None  # party the arrow comes from
    latency: str = ""  # on the arrow


def event_cells(told: Told, columns: Columns, signs: Signs) -> Row:
    """The cells of a row behind the gutter: every lifeline, the event, its arrow."""
    own = columns.of(told.party)
    if own is None or not 0 <= own < len(columns.every):
        return _beside(told, own, columns, signs)
    cause = None if told.cause is None else columns.of(told.cause)
    if cause == own:
        cause = None
    row: Row = []
    for k, column in enumerate(columns.every):
        room = column.width - 1
        if k == own:
            row.append((_node(told, signs), _node_style(told)))
            row += _own_text(told, room, signs, back=0 if cause is None else cause - own)
        elif cause is None or not min(own, cause) <= k <= max(own, cause):
            row.append((signs.lifeline, "line"))
            row.append((" " * room, "text"))
        else:
            row += _passed(told, k, own, cause, room, signs)
    return row


def blank_cells(columns: Columns, signs: Signs) -> Row:
    """A row on which nothing happens: the lifelines alone."""
    return _lifelines(columns.every, signs.lifeline)


def wait_cells(columns: Columns, signs: Signs) -> Row:
    """A folded wait: broken lifelines."""
    return _lifelines(columns.every, signs.fold)


def _lifelines(columns: Sequence[Column], sign: str) -> Row:
    row: Row = []
    for column in columns:
        row += [(sign, "line"), (" " * (column.width - 1), "text")]
    return row


def _beside(told: Told, own: int | None, columns: Columns, signs: Signs) -> Row:
    """An event whose column is beside the screen: told at that edge, over the lifelines there."""
    if own is None or not columns.every:
        return blank_cells(columns, signs)
    text, style = f"{_node(told, signs)} {told.name}: {told.words}", STATE_STYLES[told.state]
    each = columns.every if own < 0 else columns.every[::-1]
    cells = fit = 0
    while fit < len(each) and cells < cell_len(text) + 3:
        cells += each[fit].width
        fit += 1
    if own < 0:
        told_at = [(f"{signs.left} ", "link"), (filled(text, cells - 2, signs.ellipsis), style)]
        return [*told_at, *_lifelines(columns.every[fit:], signs.lifeline)]
    text = right_filled(text, cells - 3, signs.ellipsis)
    before = _lifelines(columns.every[: len(each) - fit], signs.lifeline)
    return [*before, (f"{text} ", style), (f"{signs.right} ", "link")]


def _node(told: Told, signs: Signs) -> str:
    if told.state == UNSEEN:
        return signs.unseen
    if told.absent:
        return signs.absent
    return {GOOD: signs.node, ODD: signs.odd, BAD: signs.bad}[told.state]


def _node_style(told: Told) -> str:
    return f"party-{told.party % 8 + 1}" if told.state == GOOD else STATE_STYLES[told.state]


def _own_text(told: Told, room: int, signs: Signs, *, back: int) -> Row:
    """The event's words; an arrow from so many columns to the right ends behind them."""
    style = STATE_STYLES[told.state]
    if back <= 0:
        return [(f" {filled(told.words, room - 2, signs.ellipsis)} ", style)]
    words = cut(told.words, room - 4, signs.ellipsis)
    rest = room - cell_len(words) - 2  # 2 or more: the head and some of its line
    label = _label(told, rest - 1) if back == 1 else ""
    return [
        (f" {words} ", style),
        (signs.left, "link"),
        *_run(rest - 1, label, "", "link", signs),
    ]


def _passed(told: Told, k: int, own: int, cause: int, room: int, signs: Signs) -> Row:
    """A column that the arrow begins in or passes."""
    ends_in_loss = told.absent and told.state != GOOD
    style = "bad" if ends_in_loss and told.state == BAD else "link"
    starts = k == cause
    line: Piece = (signs.lifeline if starts else signs.crossing, "line" if starts else style)
    if cause < own:  # to the right: the area of this column is part of the arrow
        last = k == own - 1
        head = signs.lost if ends_in_loss else signs.right
        label = _label(told, room) if last else ""
        return [line, *_run(room, label, head if last else "", style, signs)]
    # to the left: this column's area lies behind the arrow's beginning
    if starts:
        return [line, (" " * room, "text")]
    label = _label(told, room) if k == own + 1 else ""
    return [line, *_run(room, label, "", style, signs)]


def _label(told: Told, room: int) -> str:
    if not told.latency or told.absent:
        return ""
    text = f" {told.latency} "
    return text if cell_len(text) + LABEL_ROOM <= room else ""


def _run(room: int, label: str, head: str, style: str, signs: Signs) -> Row:
    left = room - len(label) - len(head)
    before = left // 2
    return [
        (signs.run * before, style),
        (label, "quiet"),
        (signs.run * (left - before) + head, style),
    ]
