"""The lines of a piece while they are read sorted by shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.captures.delimited_matrix import Times
from decoders.captures.edges import Levels


@dataclass(frozen=True, slots=True, eq=False)
class Sorts:
    """The lines of a piece while they are read by shape."""

    t: Times  # [n] in the room of the edge rows
    levels: Levels  # [n] likewise
    done: npt.NDArray[np.bool_]  # [n] read
    finer: npt.NDArray[np.bool_]  # [n] with digits beyond 1 ns
    carried: Levels  # [n] bits whose cells are empty
    empty: npt.NDArray[np.uint8]  # [n] how many cells of levels are empty

    @classmethod
    def of(cls, t: Times, levels: Levels) -> Sorts:
        """Lines not read yet, whose times and levels are to stand in `t` and `levels`."""
        count = len(t)
        return cls(
            t,
            levels,
            done=np.zeros(count, np.bool_),
            finer=np.zeros(count, np.bool_),
            carried=np.zeros(count, levels.dtype),
            empty=np.zeros(count, np.uint8),
        )

    def carry(self, row: int, stop: int, before: int) -> None:
        """Fill the bits of empty cells from the rows before, `before` being that of `row`."""
        _carry(self.levels[row:stop], self.carried[row:stop], before)


def _carry(levels: Levels, carried: Levels, before: int) -> None:
    """Fill bits that a row does not state from the row before it, in place.

    Args:
        levels: [n] level words, 0 in bits not stated.
        carried: [n] the bits not stated.
        before: level word of the row before the first.
    """
    kind = levels.dtype.type
    some = int(np.bitwise_or.reduce(carried))
    rows = np.arange(len(levels))
    for bit in range(some.bit_length()):
        mask = kind(1 << bit)
        if some >> bit & 1:
            stated = np.maximum.accumulate(np.where(carried & mask, -1, rows))
            filled = np.where(stated < 0, kind(before) & mask, levels[stated] & mask)
            np.bitwise_or(levels, filled.astype(kind), out=levels)
