"""The line that lies closest to points from one side: skew from one-way delays.

What comes second never comes first, so the points (time, gap between the two clocks) lie on one
side of the true line, each by its delay. The estimate is the linear programme of Moon, Skelly and
Towsley, "Estimation and Removal of Clock Skew from Network Delay Measurements", INFOCOM 1999,
section III: of all lines with every point on one side, the one with the least sum of vertical
distances. That sum is n times the line's height above the mean point, so the optimum is the edge
of the convex hull that spans the mean of the times; no solver is needed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

CHAIN_LIMIT = 256  # points the plain chain takes in one go (about 0.1 ms); more are thinned first
THINNING = 8  # each round looks at this many times more bins than the last


@dataclass(frozen=True, slots=True)
class Edge:
    """The line `y + slope * (x - self.x)`, with x the mean of the times it was fitted to."""

    slope: float
    x: float
    y: float
    left: int  # indices of the two points it rests on; equal when it rests on one
    right: int

    def at(self, x: Floats) -> Floats:
        """Its height at x: float64, same shape as x."""
        return self.y + self.slope * (x - self.x)


def upper_edge(x: Floats, y: Floats, at: float | None = None) -> Edge:
    """The line on or above every point with the least sum of vertical distances.

    Args:
        x: float64[n] in ascending order, n at least 1; equal values allowed.
        y: float64[n].
        at: the x where the line is to be lowest; the mean of x, as above, when None.

    Returns:
        The edge of the upper hull above the mean of x. Where that mean falls on a corner every
        line between its two edges is as good, and the one to the right is given. A single x gives
        slope 0 through the highest point.
    """
    corners = upper_hull(x, y)
    middle = float(x.mean()) if at is None else at
    middle = min(max(middle, float(x[0])), float(x[-1]))
    if len(corners) == 1:
        k = int(corners[0])
        return Edge(0.0, middle, float(y[k]), k, k)
    after = int(np.searchsorted(x[corners], middle, side="right"))
    after = min(max(after, 1), len(corners) - 1)
    left, right = int(corners[after - 1]), int(corners[after])
    slope = float((y[right] - y[left]) / (x[right] - x[left]))
    return Edge(slope, middle, float(y[left] + slope * (middle - x[left])), left, right)


def lower_edge(x: Floats, y: Floats) -> Edge:
    """The line on or below every point with the least sum of vertical distances."""
    edge = upper_edge(x, -y)
    return Edge(-edge.slope, edge.x, -edge.y, edge.left, edge.right)


def upper_hull(x: Floats, y: Floats) -> Indices:
    """Corners of the upper convex hull from left to right.

    Exact, and linear for points that scatter: the hull of the highest point of each of many bins
    lies inside the true one, so what lies below it cannot be a corner.

    Args:
        x: float64[n] in ascending order, n at least 1.
        y: float64[n].

    Returns:
        int64[k], indices into x; strictly ascending in x, collinear points left out.
    """
    left = np.arange(len(x), dtype=np.int64)
    bins = CHAIN_LIMIT // 4
    while len(left) > CHAIN_LIMIT and bins < len(left):
        rough = _chain(x, y, _highest_of_bins(y, left, bins))
        floor = np.interp(x[left], x[rough], y[rough])
        above = y[left] > floor
        above[np.searchsorted(left, rough)] = True
        left = left[above]
        bins *= THINNING
    return _chain(x, y, left)


def _highest_of_bins(y: Floats, left: Indices, bins: int) -> Indices:
    """Index of the highest point of each of `bins` runs of points, with first and last point."""
    starts = np.linspace(0, len(left), bins, endpoint=False).astype(np.int64)
    heights = y[left]
    tops = np.repeat(np.maximum.reduceat(heights, starts), np.diff(np.append(starts, len(left))))
    at = np.flatnonzero(heights == tops)
    if len(at) > 2 * bins:  # many equal heights: one of each run will do
        run = np.searchsorted(starts, at, side="right")
        at = at[np.append(True, np.diff(run) > 0)]
    ends = np.array([0, len(left) - 1])
    found: Indices = left[np.union1d(at, ends)]
    return found


def _chain(x: Floats, y: Floats, candidates: Indices) -> Indices:
    """Monotone chain (Andrew 1979) over candidates in order of x; about 0.5 us a point."""
    corners: list[tuple[float, float, int]] = []
    rows = zip(x[candidates].tolist(), y[candidates].tolist(), candidates.tolist(), strict=True)
    for px, py, k in rows:
        if corners and px == corners[-1][0]:
            if py <= corners[-1][1]:
                continue
            corners.pop()
        while len(corners) > 1:
            (ax, ay, _), (bx, by, _) = corners[-2:]
            if (by - ay) * (px - ax) > (py - ay) * (bx - ax):
                break
            corners.pop()
        corners.append((px, py, k))
    return np.array([k for _, _, k in corners], dtype=np.int64)
