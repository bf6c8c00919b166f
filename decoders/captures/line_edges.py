"""The edges of one line of a capture, as a fold: marks, beacons, pulses that somebody named."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Edges

Int64s = npt.NDArray[np.int64]


class LineEdges:
    """Keep the times at which a line rises, or falls; however the edges are cut, the same.

    The first level of an observed stretch is no edge.

    Args:
        line: bit number in `Edges.levels`.
        rises: whether rising edges are kept, else falling ones.
    """

    def __init__(self, line: int, *, rises: bool) -> None:
        self._line, self._rises = line, rises
        self._level = -1  # -1: not known
        self._parts: list[Int64s] = []

    def feed(self, edges: Edges) -> None:
        """Take the next edges."""
        if not len(edges.t_ns):
            return
        bit = edges.levels.dtype.type(self._line)
        high = (edges.levels >> bit & edges.levels.dtype.type(1)).astype(np.int8)
        before = np.concatenate([[-1 if edges.begins else self._level], high[:-1]])
        wanted = (before == 0) & (high == 1) if self._rises else (before == 1) & (high == 0)
        if wanted.any():
            self._parts.append(edges.t_ns[wanted])
        self._level = int(high[-1])

    def times_ns(self) -> Int64s:
        """Their times so far: int64, rising."""
        return np.concatenate([np.empty(0, np.int64), *self._parts])
