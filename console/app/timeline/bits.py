"""The wire under a transaction as rows: levels, bits, acknowledges, whose turn it was to drive.

Both lines are drawn two rows high, a few cells for each bit; long transactions are broken between
bytes. Under the levels stand the bits and the bytes they make, and below them who had to drive SDA.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.app.signs import Signs
from console.app.timeline.columns import GUTTER
from console.app.timeline.pieces import Row, cut, right_filled
from decoders.buses.bit_cells import BIT, RESTART, START, STOP, BitCells
from decoders.buses.bit_layout import BitLayout, bit_layout
from decoders.buses.bit_roles import ACKNOWLEDGE, READ_WRITE
from decoders.buses.held_lines import CONTROLLER, TARGET
from decoders.captures.edges import Edges
from decoders.captures.level_strip import BOTH, FALLS, HIGH, LOW, RISES, UNSEEN, levels_between
from decoders.durations import in_words

COLUMNS_PER_BIT = 4
Int64s = npt.NDArray[np.int64]
TURN_WORDS = {CONTROLLER: "controller", TARGET: "target"}
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


def wire_rows(wire: Wire, width: int, signs: Signs) -> list[Row]:
    """Rows for a width; the first says how the transaction went as a whole."""
    if not len(wire.cells):
        return [[(" " * GUTTER, "quiet"), ("no edges here", "unseen")]]
    layout = bit_layout(wire.cells, COLUMNS_PER_BIT)
    rows: list[Row] = [_summary(wire, width, signs)]
    for first, last in _lines(wire.cells, layout, width - GUTTER - 1):
        rows += _line(wire, layout, first, last, signs)
    return rows


def _summary(wire: Wire, width: int, signs: Signs) -> Row:
    """Clock rate, bits, stretching, and what an acknowledge slot left high means."""
    cells = wire.cells
    bits = cells.kind == BIT
    said = [f"{int(bits.sum())} clocks"]
    lengths = (cells.end_ns - cells.begin_ns)[bits]
    if len(lengths):
        said.append(f"{1e6 / float(np.median(lengths)):.3g} kHz")
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
        rows.append([(right_filled(name, GUTTER - 2, "") + "  ", "quiet"), (low, style)])
    rows.append(
        [
            (right_filled("bit", GUTTER - 2, "") + "  ", "quiet"),
            *_bits(wire, layout, first, last, end),
        ]
    )
    rows.append(
        [
            (right_filled("byte", GUTTER - 2, "") + "  ", "quiet"),
            *_bytes(wire, layout, first, last, begin, end, signs),
        ]
    )
    rows.append(
        [
            (right_filled("drives SDA", GUTTER - 2, "") + "  ", "quiet"),
            *_turns(wire, layout, first, last, begin, end, signs),
        ]
    )
    stretch = _stretches(wire, layout, first, last, begin, end)
    if stretch.strip():
        rows.append([(right_filled("SCL low", GUTTER - 2, "") + "  ", "quiet"), (stretch, "odd")])
    return [*rows, []]


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
        lead = max((room - len(word) + 1) // 2, 0)
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
