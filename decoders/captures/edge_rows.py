"""Rows of times and level words gathered into blocks of edges."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Edges, Levels
from decoders.captures.sample_beat import SampleBeat

BLOCK_ROWS = 1 << 16  # buses decode blocks of this size best
_READY_ROWS = 1 << 15
_READY_READ = 1 << 19  # rows read since the last block: so much progress is told


def levels_dtype(channels: int) -> type[np.unsignedinteger]:
    """The narrowest unsigned type that holds a level word of so many channels (1..64)."""
    for bits, kind in ((8, np.uint8), (16, np.uint16), (32, np.uint32)):
        if channels <= bits:
            return kind
    return np.uint64


class EdgeRows:
    """Takes rows in time order, drops those that change nothing, gives blocks of edges.

    A batch of rows is written straight into the room it gives, then kept: `room`, write, `keep`.

    Args:
        channels: in a level word.
        row_period_ns: where rows are samples, the time from one to the next; where many samples
            are missing between two rows, nothing was observed and a stretch begins anew.
    """

    def __init__(self, channels: int, row_period_ns: float | None = None) -> None:
        self.rows = 0  # read so far, with those dropped
        self.level = 0  # of the last row
        self.last_ns: int | None = None  # time of the last row
        self._kind = levels_dtype(channels)
        self._capacity = 0
        self._t = np.empty(0, np.int64)
        self._levels: Levels = np.empty(0, self._kind)
        self._changes = np.empty(0, np.bool_)
        self._at = 0
        self._told_rows = 0
        self._begins = True
        self.beat = None if row_period_ns is None else SampleBeat(row_period_ns)
        self._borders: list[tuple[int, int]] = []  # first row of a stretch, end of the last

    def room(self, rows: int) -> tuple[npt.NDArray[np.int64], Levels]:
        """Views for the times and level words of up to `rows` more rows."""
        need = self._at + rows
        if need > len(self._t):
            size = max(BLOCK_ROWS + (BLOCK_ROWS >> 3), need)
            t, levels = np.empty(size, np.int64), np.empty(size, self._kind)
            t[: self._at], levels[: self._at] = self._t[: self._at], self._levels[: self._at]
            self._t, self._levels = t, levels
        if rows > len(self._changes):
            self._changes = np.empty(rows, np.bool_)
        return self._t[self._at : need], self._levels[self._at : need]

    @property
    def filled(self) -> int:
        """Rows that stand before the room."""
        return self._at

    def changes(self, rows: int, skip: int = 0) -> npt.NDArray[np.bool_]:
        """Which of the level words in the room (`skip` rows in) differ from the row before."""
        levels = self._levels[self._at + skip : self._at + skip + rows]
        changes = self._changes[:rows]
        np.not_equal(levels[1:], levels[:-1], out=changes[1:])
        changes[0] = self.last_ns is None or int(levels[0]) != self.level
        return changes

    def keep(self, rows: int, skip: int = 0) -> None:
        """Keep `rows` rows that stand in the room, `skip` rows in."""
        if not rows:
            return
        begin, changes = self._at + skip, self.changes(rows, skip)
        t, levels = self._t[begin : begin + rows], self._levels[begin : begin + rows]
        if self.beat is not None:
            self._mark_gaps(self.beat.gaps(self.last_ns, t), t, changes)
        last = int(t[-1])
        level = int(levels[-1])
        count = int(np.count_nonzero(changes))
        if count < rows:
            t, levels = t[changes], levels[changes]
        if count < rows or skip:
            self._t[self._at : self._at + count] = t
            self._levels[self._at : self._at + count] = levels
        self._took(rows, count, last, level)

    def _mark_gaps(
        self,
        gaps: npt.NDArray[np.intp],
        t_ns: npt.NDArray[np.int64],
        changes: npt.NDArray[np.bool_],
    ) -> None:
        """Begin a stretch at each of these rows of a batch, and keep them though nothing changed.

        What stood in the arrays must stay where it is, so the block is cut when it is given.
        """
        if not len(gaps):
            return
        changes[gaps] = True
        places = self._at + np.cumsum(changes)[gaps] - 1
        for row, place in zip(gaps.tolist(), places.tolist(), strict=True):
            before = self.last_ns if row == 0 else t_ns[row - 1]
            self._borders.append((place, int(before or 0)))

    def on_beat(self, rows: int, first_ns: int, last_ns: int) -> bool:
        """Whether so many more rows, the first and last at these times, leave out no sample."""
        return self.beat is None or self.beat.even(rows, self.last_ns, first_ns, last_ns)

    def keep_some(
        self, rows: int, which: npt.NDArray[np.intp], t_ns: npt.NDArray[np.int64], last_ns: int
    ) -> None:
        """Keep of `rows` rows whose level words stand in the room those that change something.

        Only for rows that are `on_beat`.

        Args:
            rows: how many rows were read.
            which: int[k] those that change something.
            t_ns: int64[k] their times.
            last_ns: time of the last of the rows.
        """
        levels = self._levels[self._at : self._at + rows]
        level = int(levels[-1])
        self._t[self._at : self._at + len(which)] = t_ns
        self._levels[self._at : self._at + len(which)] = levels[which]
        self._took(rows, len(which), last_ns, level)

    def add(self, t_ns: int, level: int) -> None:
        """Add one row."""
        t, levels = self.room(1)
        t[0], levels[0] = t_ns, level
        changed = self.last_ns is None or level != self.level
        if self.beat is not None:
            changes = np.array([changed])
            self._mark_gaps(self.beat.gaps(self.last_ns, t), t, changes)
            changed = bool(changes[0])
        self._took(1, int(changed), t_ns, level)

    def _took(self, rows: int, count: int, last_ns: int, level: int) -> None:
        self.rows += rows
        self._at += count
        self.last_ns, self.level = last_ns, level

    def ready(self) -> list[Edges]:
        """The rows so far as a block, once there are enough of them; else nothing."""
        enough = self._at >= _READY_ROWS or self.rows - self._told_rows >= _READY_READ
        return self.rest() if enough else []

    def rest(self) -> list[Edges]:
        """All rows so far as a block; no block when no row was read since the last one."""
        if self.last_ns is None or self.rows == self._told_rows:
            return []
        t, levels = self._t[: self._at], self._levels[: self._at]
        if 2 * self._at < len(self._t):  # a small view would keep the large array alive
            t, levels = t.copy(), levels.copy()
        blocks = self._cut(t, levels)
        self._t, self._levels = np.empty(0, np.int64), np.empty(0, self._kind)
        self._at, self._told_rows, self._begins = 0, self.rows, False
        self._borders.clear()
        return blocks

    def _cut(self, t_ns: npt.NDArray[np.int64], levels: Levels) -> list[Edges]:
        """The rows as blocks, one of each observed stretch."""
        blocks = []
        at, begins = 0, self._begins and self._at > 0
        for place, until_ns in self._borders:
            if place > at or not begins:
                blocks.append(Edges(t_ns[at:place], levels[at:place], begins, until_ns))
            at, begins = place, True
        blocks.append(Edges(t_ns[at:], levels[at:], begins, self.last_ns or 0))
        return blocks
