"""Points over time as dots of a screen: which dots are hit, whatever the number of points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TAIL = 0.005  # share of the points at either end that may lie beyond the range


@dataclass(frozen=True, slots=True)
class Frame:
    """What a scatter shows: a stretch of time, and a range of values from bottom to top."""

    from_ns: int
    until_ns: int
    bottom: float
    top: float

    def column_of(self, t_ns: Int64s, columns: int) -> Int64s:
        """The column of each moment; -1 or `columns` outside."""
        length = max(1, self.until_ns - self.from_ns)
        share = (t_ns - np.int64(self.from_ns)).astype(np.float64) / length
        found = np.floor(share * columns)
        # The last moment belongs to the last column.
        found[t_ns == self.until_ns] = columns - 1
        clipped: Int64s = np.clip(found, -1, columns).astype(np.int64)
        return clipped

    def row_of(self, values: npt.NDArray[np.float64], rows: int) -> Int64s:
        """The row of each value, 0 at the top; values beyond the range lie in the outmost rows."""
        span = max(self.top - self.bottom, 1e-9)
        found = np.rint((self.top - values) / span * (rows - 1))
        clipped: Int64s = np.clip(found, 0, rows - 1).astype(np.int64)
        return clipped


def dots_hit(t_ns: Int64s, values: Int64s, frame: Frame, rows: int, columns: int) -> Bools:
    """Which dots are hit by any of n points.

    Args:
        t_ns: int64[n] moments; those outside the frame are left out.
        values: int64[n]; those beyond the range are drawn at its edge.
        frame: what is shown.
        rows: dots high.
        columns: dots wide.

    Returns:
        bool[rows, columns].
    """
    hit = np.zeros((rows, columns), np.bool_)
    if not len(t_ns) or not rows or not columns:
        return hit
    column = frame.column_of(t_ns, columns)
    inside = (column >= 0) & (column < columns)
    row = frame.row_of(values[inside].astype(np.float64), rows)
    hit[row, column[inside]] = True
    return hit


def usual_range(values: Int64s, least: tuple[float, float]) -> tuple[float, float]:
    """A range that nearly all values lie in, and that holds `least`; for the scale of a plot."""
    low, high = least
    if len(values):
        ends = np.quantile(values, (TAIL, 1 - TAIL))
        low, high = min(low, float(ends[0])), max(high, float(ends[1]))
    return low, high
