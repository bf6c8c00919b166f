"""The wire under a transaction as rows: levels, bits, acknowledges, whose turn it was to drive.

Both lines are drawn two rows high, a few cells for each bit; long transactions are broken between
bytes. Under the levels stand the bits and the bytes they make, and below them who had to drive SDA.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import accumulate
from typing import overload

import numpy as np
import numpy.typing as npt

from console.app.signs import Signs
from console.app.timeline.columns import GUTTER
from console.app.timeline.pieces import Piece, Row, cut, right_filled
from decoders.buses.bit_cells import BIT, RESTART, START, STOP, BitCells
from decoders.buses.bit_layout import BitLayout, bit_layout
from decoders.buses.bit_roles import ACKNOWLEDGE, READ_WRITE
from decoders.buses.held_lines import BOTH_HELD, CONTROLLER, SCL_HELD, SDA_HELD, TARGET
from decoders.buses.transactions import TURNS, LineStates
from decoders.captures.edges import Edges
from decoders.captures.level_strip import BOTH, FALLS, HIGH, LOW, RISES, UNSEEN, levels_between
from decoders.durations import in_words

COLUMNS_PER_BIT, NARROW_COLUMNS_PER_BIT = 4, 3
ROOM_FOR_WIDE = 2 * 9 * COLUMNS_PER_BIT + COLUMNS_PER_BIT  # a START and two bytes
LINE_ROWS = 8  # of one run of cells, the empty one behind it included; 9 with stretches
LINES_KEPT = 64  # runs of cells that are kept drawn
Int64s = npt.NDArray[np.int64]
TURN_WORDS = {CONTROLLER: "controller", TARGET: "target"}
HELD_WORDS = {
    SDA_HELD: "SDA held low",
    SCL_HELD: "SCL held low",
    BOTH_HELD: "SCL and SDA held low",
}
TURN_STYLES = {CONTROLLER: "text", TARGET: "lit"}


@dataclass(frozen=True, slots=True, eq=False)
class Wire:
    """What is drawn: the cells of one transaction or a few, and the edges under them."""

    cells: BitCells
    edges: Edges
    scl: int  # bit numbers
    sda: int
    scl_name: str
    sda_name: str


def wire_rows(wire: Wire, width: int, signs: Signs) -> Sequence[Row]:
    """Rows for a width; the first say how the transaction went as a whole."""
    if not len(wire.cells):
        return [[(" " * GUTTER, "quiet"), ("no edges here", "unseen")], *_holds(wire, width, signs)]
    return WireRows(wire, width, signs)


class WireRows(Sequence[Row]):
    """The rows of some cells; each run of cells is drawn when a row of it is asked for."""

    def __init__(self, wire: Wire, width: int, signs: Signs) -> None:
        room = width - GUTTER - 1
        per_bit = COLUMNS_PER_BIT if room >= ROOM_FOR_WIDE else NARROW_COLUMNS_PER_BIT
        self._wire, self._signs = wire, signs
        self._layout = bit_layout(wire.cells, per_bit)
        self._head = [_summary(wire, width, signs), *_holds(wire, width, signs)]
        self._lines = list(_lines(wire.cells, self._layout, room))
        self._drawn = lru_cache(LINES_KEPT)(self._draw)

    @cached_property
    def _starts(self) -> list[int]:
        """First row of each run of cells, and the number of rows at the end."""
        so_far = np.append(0, np.cumsum(self._wire.cells.stretch_ns > 0))
        rows = [LINE_ROWS + bool(so_far[last + 1] > so_far[a]) for a, last in self._lines]
        return list(accumulate(rows, initial=len(self._head)))

    def __len__(self) -> int:
        return self._starts[-1]

    @overload
    def __getitem__(self, at: int) -> Row: ...
    @overload
    def __getitem__(self, at: slice) -> list[Row]: ...
    def __getitem__(self, at: int | slice) -> Row | list[Row]:
        if isinstance(at, slice):
            return [self[k] for k in range(*at.indices(len(self)))]
        if not 0 <= at < len(self):
            raise IndexError(at)
        if at < len(self._head):
            return self._head[at]
        number = bisect_right(self._starts, at) - 1
        return self._drawn(number)[at - self._starts[number]]

    def _draw(self, number: int) -> list[Row]:
        return _line(self._wire, self._layout, *self._lines[number], self._signs)


def _holds(wire: Wire, width: int, signs: Signs) -> list[Row]:
    """Lines that were held low, for how long, and whose turn it was to drive SDA."""
    holds, rows = wire.cells.holds, []
    for k in range(len(holds)):
        said = f"{HELD_WORDS[int(holds.state[k])]} for {in_words(int(_lengths(holds)[k]))}"
        if holds.bit_slot[k] >= 0:
            said += f", {int(holds.bit_slot[k])} clocks after a byte"
        turn = TURNS[int(holds.turn[k])]
        said += f", {turn} to drive SDA" if turn != "unknown" else ""
        text = cut(f"{signs.bad} {said}", width - GUTTER - 1, signs.ellipsis)
        rows.append([(" " * GUTTER, "quiet"), (text, "bad")])
    return rows


def _lengths(holds: LineStates) -> Int64s:
    return holds.end_ns - holds.start_ns


def _summary(wire: Wire, width: int, signs: Signs) -> Row:
    """Clock rate, bits, stretching, and what an acknowledge slot left high means."""
    cells = wire.cells
    bits = cells.kind == BIT
    said = [f"{int(bits.sum())} clocks"]
    lengths = (cells.end_ns - cells.begin_ns)[bits]
    if len(lengths):
        said.append(f"{1e6 / float(np.median(lengths)):.3g} kHz")
    if (cells.not_acknowledged & (cells.turn == TARGET)).any():
        said.append("N in the target's turn: nobody pulled SDA low")
    stretched = cells.stretch_ns[cells.stretch_ns > 0]
    if len(stretched):
        said.append(
            f"{len(stretched)} lows longer than usual, by up to {in_words(int(stretched.max()))}"
        )
    if len(cells.spikes_ns):
        said.append(f"{len(cells.spikes_ns)} spikes taken out")
    if cells.begins_cut:
        said.append("no START here")
    if cells.ends_open:
        said.append("no STOP here")
    text = cut(", ".join(said), width - GUTTER - 1, signs.ellipsis)
    return [(" " * GUTTER, "quiet"), (text, "quiet")]


def _lines(cells: BitCells, layout: BitLayout, room: int) -> Iterator[tuple[int, int]]:
    """Runs of cells that fit a line; broken before the first bit of a byte where that can be."""
    count, first = len(cells), 0
    ends = np.append(layout.first[1:], len(layout))
    while first < count:
        begin = int(layout.first[first]) if first else 0
        last = int(np.searchsorted(ends, begin + room, side="right")) - 1
        last = max(last, first)
        if last < count - 1:
            borders = np.flatnonzero(cells.slot[first + 1 : last + 2] == 0) + first + 1
            if len(borders):
                last = int(borders[-1]) - 1
        yield first, last
        first = last + 1


def _line(wire: Wire, layout: BitLayout, first: int, last: int, signs: Signs) -> list[Row]:
    """The rows of one run of cells."""
    begin = int(layout.first[first]) if first else 0
    end = int(layout.first[last + 1]) if last + 1 < len(layout.first) else len(layout)
    columns = slice(begin, end)
    rows: list[Row] = []
    for name, line, style in (
        (wire.sda_name, wire.sda, "lit"),
        (wire.scl_name, wire.scl, "text"),
    ):
        high, low = _levels(wire.edges, line, layout, columns, signs)
        rows.append([(" " * GUTTER, "quiet"), (high, style)])
        rows.append([_named(signs.clean(name), signs), (low, style)])
    rows.append([_named("bit", signs), *_bits(wire, layout, first, last, end)])
    rows.append([_named("byte", signs), *_bytes(wire, layout, first, last, begin, end, signs)])
    turns = _turns(wire, layout, first, last, begin, end, signs)
    rows.append([_named("drives SDA", signs), *turns])
    if (wire.cells.stretch_ns[first : last + 1] > 0).any():
        stretch = _stretches(wire, layout, first, last, begin, end)
        rows.append([_named("SCL low", signs), (stretch, "odd")])
    return [*rows, []]


def _named(name: str, signs: Signs) -> Piece:
    """What a row is, in the gutter."""
    return right_filled(name, GUTTER - 2, signs.ellipsis) + "  ", "quiet"


def _levels(
    edges: Edges, line: int, layout: BitLayout, columns: slice, signs: Signs
) -> tuple[str, str]:
    """The upper and the lower row of one line."""
    bounds = layout.bounds_ns[columns.start : columns.stop + 1]
    drawn = {
        LOW: (" ", signs.wire_low),
        HIGH: (signs.wire_high, " "),
        FALLS: signs.wire_fall,
        RISES: signs.wire_rise,
        BOTH: signs.wire_both,
        UNSEEN: (" ", signs.unseen),
    }
    cells = [drawn[int(code)] for code in levels_between(edges, line, bounds)]
    for k in np.flatnonzero(layout.folded[columns]):
        up, down = cells[k]
        cells[k] = (up if up == " " else signs.wire_fold, down if up != " " else signs.wire_fold)
    return "".join(up for up, _ in cells), "".join(down for _, down in cells)


def _bits(wire: Wire, layout: BitLayout, first: int, last: int, end: int) -> Row:
    """What each clock said: 0, 1, A, N, R, W; and the conditions."""
    cells = wire.cells
    row: Row = []
    at = int(layout.first[first]) if first else 0
    for k in range(first, last + 1):
        begin = int(layout.first[k])
        stop = int(layout.first[k + 1]) if k + 1 < len(layout.first) else len(layout)
        row.append((" " * (begin - at), "quiet"))
        word, style = _bit_word(cells, k)
        room = min(stop, end) - begin
        lead = max(min(room - room // 2, room - len(word)), 0)  # under SCL high
        row.append(((" " * lead + word).ljust(room)[:room], style))
        at = begin + room
    return row


def _bit_word(cells: BitCells, k: int) -> tuple[str, str]:
    kind, level = int(cells.kind[k]), int(cells.level[k])
    if kind in (START, RESTART, STOP):
        return {START: "S", RESTART: "Sr", STOP: "P"}[kind], "link"
    if kind != BIT:
        return "?", "unseen"
    if cells.role[k] == ACKNOWLEDGE:
        return ("N", "bad") if level and cells.turn[k] == TARGET else ("NA"[1 - level], "link")
    if cells.role[k] == READ_WRITE:
        return "WR"[level], "link"
    return str(level), TURN_STYLES.get(int(cells.turn[k]), "quiet")


def _bytes(
    wire: Wire, layout: BitLayout, first: int, last: int, begin: int, end: int, signs: Signs
) -> Row:
    """The bytes the bits make, in hex, over the clocks of each."""
    cells, text = wire.cells, [" "] * (end - begin)
    for k in range(first, last + 1):
        if cells.kind[k] != BIT or cells.slot[k] != 0:
            continue
        stop = min(k + 8, last + 1)
        word = f"{cells.value[k]:02X}" if cells.value[k] >= 0 else "cut"
        if cells.byte[k] == 0 and cells.value[k] >= 0 and cells.role[k] == 1:
            word = f"{cells.value[k] >> 1:02X}h {'read' if cells.value[k] & 1 else 'write'}"
        low = int(layout.first[k]) - begin
        high = (int(layout.first[stop]) if stop < len(layout.first) else end) - begin
        _write_centred(text, low, min(high, end - begin), word, signs.run)
    return [("".join(text), "quiet")]


def _turns(
    wire: Wire, layout: BitLayout, first: int, last: int, begin: int, end: int, signs: Signs
) -> Row:
    """Who had to drive SDA, over each run of clocks; what an acknowledge slot left high means."""
    cells, text = wire.cells, [" "] * (end - begin)
    k = first
    while k <= last:
        turn = int(cells.turn[k])
        stop = k
        while stop <= last and int(cells.turn[stop]) == turn and cells.kind[stop] == cells.kind[k]:
            stop += 1
        if cells.kind[k] == BIT and turn in TURN_WORDS:
            low = int(layout.first[k]) - begin
            high = (int(layout.first[stop]) if stop < len(layout.first) else end) - begin
            word = TURN_WORDS[turn]
            _write_centred(text, low, min(high, end - begin), word, signs.run)
        k = max(stop, k + 1)
    return [("".join(text), "quiet")]


def _write_centred(text: list[str], low: int, high: int, word: str, rule: str) -> None:
    """A word between rules that show how far it reaches; its first letter where it has no room."""
    room = high - low - 1
    if room < 1:
        return
    word = word if len(word) <= room else word[:1]
    left = (room - len(word)) // 2
    shown = rule * left + word + rule * (room - left - len(word))
    if room > len(word) + 2:
        shown = rule * (left - 1) + f" {word} " + rule * (room - left - len(word) - 1)
    text[low : low + room] = list(shown[:room])


def _stretches(wire: Wire, layout: BitLayout, first: int, last: int, begin: int, end: int) -> str:
    """How much longer than usual SCL was low, under the cell where it was."""
    text = [" "] * (end - begin)
    for k in range(first, last + 1):
        if wire.cells.stretch_ns[k] > 0:
            low = int(layout.first[k]) - begin
            word = f"+{in_words(int(wire.cells.stretch_ns[k]))}"
            if all(c == " " for c in text[low : low + len(word) + 1]):
                text[low : low + len(word)] = list(word)
    return "".join(text)[: end - begin]
