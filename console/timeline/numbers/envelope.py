"""The lowest and highest value in each column of a plot, at any zoom, without losing one.

Values are joined by straight lines (or held until the next, as a set point is), except over a gap:
a wait several times as long as nearly all others. A column's lowest and highest are those of the
line within it, values and joins alike. Minima and maxima of blocks are worked out once, so that a
redraw looks at whole blocks and the few values at their ends: 1 ms for 400 columns of 5 million.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_BLOCK = 64
_USUAL = 90  # percentile of waits ...
_GAP_FACTOR = 4  # ... and how many times it a gap lasts


class Envelope:
    """Lowest and highest of one series over any columns.

    Args:
        t_ns: int64[n] times; do not fall.
        values: float64[n], finite.
        holds: each value holds until the next one, over any wait.
    """

    def __init__(self, t_ns: Int64s, values: Floats, *, holds: bool = False) -> None:
        self._t_ns = t_ns
        self._values = values
        self._holds = holds
        self.gap_ns = _gap_ns(t_ns)
        blocks = len(values) // _BLOCK
        square = values[: blocks * _BLOCK].reshape(blocks, _BLOCK)
        # One more at the end: reduceat wants every index to exist, the last end as well.
        self._lows = np.append(square.min(axis=1), np.inf)
        self._highs = np.append(square.max(axis=1), -np.inf)

    def over(self, edges: Int64s) -> tuple[Floats, Floats]:
        """Lowest and highest in each column; both not-a-number where there is nothing.

        Args:
            edges: int64[m + 1] rising; column k takes the times edges[k] <= t < edges[k + 1].

        Returns:
            float64[m] and float64[m].
        """
        begin, end = (np.searchsorted(self._t_ns, e) for e in (edges[:-1], edges[1:]))
        low, high = self._extremes(begin, end)
        joins = self._joins(edges)
        for at_edge in (joins[:-1], joins[1:]):
            low, high = np.fmin(low, at_edge), np.fmax(high, at_edge)
        empty = low > high
        low[empty] = high[empty] = np.nan
        return low, high

    def _extremes(
        self, begin: npt.NDArray[np.intp], end: npt.NDArray[np.intp]
    ) -> tuple[Floats, Floats]:
        """Of the values begin..end of each column; inf and -inf where there are none."""
        first, last = -(-begin // _BLOCK), end // _BLOCK  # whole blocks of each column
        low, high = np.full(len(begin), np.inf), np.full(len(begin), -np.inf)
        whole = last > first
        if whole.any():
            at = np.column_stack([first[whole], last[whole]]).ravel()
            low[whole] = np.minimum.reduceat(self._lows, at)[::2]
            high[whole] = np.maximum.reduceat(self._highs, at)[::2]
        reach = np.arange(_BLOCK)
        for a, b in (
            (begin, np.minimum(first * _BLOCK, end)),
            (np.maximum(last * _BLOCK, begin), end),
        ):
            at = a[:, None] + reach
            there = at < b[:, None]
            values = self._values[np.where(there, at, 0)] if len(self._values) else at * 0.0
            low = np.minimum(low, np.where(there, values, np.inf).min(axis=1))
            high = np.maximum(high, np.where(there, values, -np.inf).max(axis=1))
        return low, high

    def _joins(self, edges: Int64s) -> Floats:
        """The line's value at each edge; not-a-number where no line crosses it."""
        n = len(self._t_ns)
        if n < 2:
            return np.full(len(edges), np.nan)
        after = np.searchsorted(self._t_ns, edges)
        between = (after > 0) & (after < n)
        right = np.clip(after, 1, n - 1)
        t0, t1 = self._t_ns[right - 1], self._t_ns[right]
        v0, v1 = self._values[right - 1], self._values[right]
        if self._holds:
            return np.where(between, v0, np.nan)
        share = (edges - t0) / np.maximum(t1 - t0, 1)
        # Rounded, a point of the line may lie beyond its ends by the last bit.
        on_line = np.clip(v0 + share * (v1 - v0), np.minimum(v0, v1), np.maximum(v0, v1))
        return np.where(between & (t1 - t0 <= self.gap_ns), on_line, np.nan)


def _gap_ns(t_ns: Int64s) -> int:
    """From how long a wait on nothing is known to lie between two values."""
    if len(t_ns) < 3:
        return np.iinfo(np.int64).max
    waits = np.diff(t_ns)
    usual = np.partition(waits, len(waits) * _USUAL // 100)[len(waits) * _USUAL // 100]
    return max(1, int(usual) * _GAP_FACTOR)
