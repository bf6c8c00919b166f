"""Rows of times and level words gathered into blocks of edges."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Edges, Levels

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
    """

    def __init__(self, channels: int) -> None:
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
        last = int(t[-1])
        level = int(levels[-1])
        count = int(np.count_nonzero(changes))
        if count < rows:
            t, levels = t[changes], levels[changes]
        if count < rows or skip:
            self._t[self._at : self._at + count] = t
            self._levels[self._at : self._at + count] = levels
        self._took(rows, count, last, level)

    def keep_some(
        self, rows: int, which: npt.NDArray[np.intp], t_ns: npt.NDArray[np.int64], last_ns: int
    ) -> None:
        """Keep of `rows` rows whose level words stand in the room those that change something.

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
        block = Edges(t, levels, self._begins and self._at > 0, self.last_ns)
        self._t, self._levels = np.empty(0, np.int64), np.empty(0, self._kind)
        self._at, self._told_rows, self._begins = 0, self.rows, False
        return [block]
