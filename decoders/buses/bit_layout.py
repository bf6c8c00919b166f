"""Columns for drawing bits: each as wide as any other, however long the clock stretched.

A cell gets `w` columns: the first half of them stands for SCL low, the rest for SCL high. So an
edge of SCL always falls into the same column of a bit, and the drawn bits stand under each other.
STOP and repeated START have SCL low, SCL high before SDA changes, and what follows; a first START
has as much of the idle bus before it as SCL is usually low.

Time that would spoil that is folded into one column of its own, which is marked: a stretched low,
a high that lasts for several usual ones, and the bus between two transactions. Columns are spans of
time without a gap, so whatever edge there is shows in one of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.bit_cells import BIT, START, STOP, BitCells

Int64s = npt.NDArray[np.int64]

LEAST_COLUMNS = 2  # of a bit: one low, one high
_LONG_HIGH = 4  # times the median, a rule of first approach: more than what jitter makes
_PIECES = 8
_FOLDS = np.array([1, 0, 1, 0, 0, 1, 0, 1], np.bool_)  # which pieces of a cell are folded time


@dataclass(frozen=True, slots=True, eq=False)
class BitLayout:
    """c columns for n cells."""

    bounds_ns: Int64s  # [c + 1] never falls: column k stands for the time up to the next bound
    cell: npt.NDArray[np.int32]  # [c] number of the cell; -1 between cells
    folded: npt.NDArray[np.bool_]  # [c] stands for more time than its width says
    first: npt.NDArray[np.int32]  # [n] first column of each cell

    def __len__(self) -> int:
        return len(self.cell)


def bit_layout(cells: BitCells, columns_per_bit: int = 4) -> BitLayout:
    """Lay out cells with as many columns to each, and one more wherever time is folded.

    Args:
        cells: n of them.
        columns_per_bit: 2 or more.

    Raises:
        ValueError: if a bit has fewer columns than 2.
    """
    if columns_per_bit < LEAST_COLUMNS:
        raise ValueError(f"a bit needs {LEAST_COLUMNS} columns or more: {columns_per_bit}")
    n = len(cells)
    if not n:
        nothing = np.empty(0, np.int32)
        return BitLayout(np.zeros(1, np.int64), nothing, np.empty(0, np.bool_), nothing)
    ends_ns, widths = _pieces(cells, columns_per_bit)
    ends_ns = np.maximum.accumulate(ends_ns.ravel())
    begins_ns = np.append(ends_ns[0], ends_ns[:-1])
    widths = widths.ravel()
    before = np.cumsum(widths) - widths  # columns before each piece
    piece = np.repeat(np.arange(n * _PIECES), widths)
    inside = np.arange(len(piece)) - before[piece]
    lengths_ns = (ends_ns - begins_ns)[piece]
    starts_ns = begins_ns[piece] + lengths_ns * inside // widths[piece]
    cell = np.where(piece % _PIECES == 0, -1, piece // _PIECES)
    return BitLayout(
        bounds_ns=np.append(starts_ns, ends_ns[-1]),
        cell=cell.astype(np.int32),
        folded=_FOLDS[piece % _PIECES],
        first=before[1::_PIECES].astype(np.int32),
    )


def _pieces(cells: BitCells, columns: int) -> tuple[Int64s, npt.NDArray[np.intp]]:
    """Where the pieces of each cell end, and how many columns each has: [n, 8] both.

    The pieces: time before the cell; SCL low, its fold, the rest of the low; SCL high before the
    condition, its fold; what follows, its fold.
    """
    n = len(cells)
    begin, rise, at, end = cells.begin_ns, cells.rise_ns, cells.at_ns, cells.end_ns
    is_clock = cells.kind >= BIT
    alone = (cells.kind == START) & (begin == at)  # with no low before it
    beat_ns = _usual(cells.usual_low_ns[cells.usual_low_ns > 0], (end - begin)[is_clock])
    high_ns = _usual((end - at)[cells.kind == BIT], np.array([beat_ns]))
    free_ns = np.maximum(np.append(begin[1:], np.iinfo(np.int64).max) - end, 0) // 2
    after = end + np.where(cells.kind == STOP, np.minimum(beat_ns, free_ns), 0)
    room_ns = np.append(beat_ns, free_ns[:-1])
    lead = begin - np.where(alone, np.minimum(beat_ns, room_ns), 0)
    widths = np.zeros((n, _PIECES), np.intp)
    third = columns // 3
    split = ~is_clock & ~alone  # STOP and repeated START
    highs = np.where(split, (columns - third) // 2, columns // 2)
    mids = np.where(split, third, 0)
    lows = columns - highs - mids
    has_gap = lead > np.append(lead[:1], after[:-1])
    is_long = cells.stretch_ns > 0
    middle = np.where(mids > 0, at, np.where(alone, at, rise))
    long_mid = (mids > 0) & (at - rise > _LONG_HIGH * high_ns)
    long_high = after - middle > _LONG_HIGH * max(high_ns, beat_ns)
    first = np.where(is_long, (lows + 1) // 2, lows)
    half = cells.usual_low_ns // 2
    low_ends = np.where(alone, at, rise)
    ends = [
        lead,
        np.where(is_long, begin + half, low_ends),
        np.where(is_long & (lows > first), rise - half, low_ends),
        low_ends,
        np.where(long_mid, rise + high_ns, middle),
        middle,
        np.where(long_high, middle + high_ns, after),
        after,
    ]
    for piece, width in enumerate(
        (has_gap, first, is_long, lows - first, mids, long_mid, highs, long_high)
    ):
        widths[:, piece] = width
    return np.stack(ends, axis=1), widths


def _usual(lengths_ns: Int64s, otherwise_ns: Int64s) -> int:
    """The median of lengths, or of others when there are none; 1 when there are none of these."""
    for lengths in (lengths_ns, otherwise_ns):
        if len(lengths):
            return max(int(np.sort(lengths)[(len(lengths) - 1) // 2]), 1)
    return 1
