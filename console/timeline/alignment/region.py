"""All lines that points allow: bounded from below by some, from above by others.

A line is (height at x = 0, slope). Every bound "on or above this point" cuts a half-plane off that
plane, so what is left is a convex polygon; its corners say how far apart two allowed lines can be
at any time, which is what an honest band is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.skew import upper_hull

Floats = npt.NDArray[np.float64]

_GRID = 65  # times looked at in each round when searching for the narrowest place
_ROUNDS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Bounds:
    """The corners of the upper hull of points that a line must not pass below."""

    x: Floats  # [k] ascending, k at least 1
    y: Floats  # [k]

    @classmethod
    def of(cls, x: Floats, y: Floats) -> Bounds:
        """Only the hull of the points (x ascending, n at least 1) bounds anything."""
        corners = upper_hull(x, y)
        return cls(x[corners], y[corners])

    @property
    def slopes(self) -> Floats:
        """Slopes of the hull's edges, descending: float64[k - 1]."""
        return np.diff(self.y) / np.diff(self.x)

    def least_height(self, slope: Floats) -> Floats:
        """Least height at x = 0 of a line of each slope that passes below no point."""
        at = np.searchsorted(-self.slopes, -slope, side="left")
        height: Floats = self.y[at] - slope * self.x[at]
        return height


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """Corners (in no order) of the polygon of allowed lines: height at x = 0, slope."""

    height: Floats  # [m], m at least 1
    slope: Floats  # [m]

    def joined(self, other: Region | None) -> Region:
        """The least convex region that holds both."""
        if other is None:
            return self
        return Region(np.append(self.height, other.height), np.append(self.slope, other.slope))

    def range_at(self, x: Floats | float) -> tuple[Floats, Floats]:
        """Lowest and highest allowed line at each x."""
        lines = self.height[:, None] + self.slope[:, None] * np.atleast_1d(x)
        return lines.min(axis=0), lines.max(axis=0)

    @property
    def half_slope(self) -> float:
        """Half the range of its slopes."""
        return float(np.ptp(self.slope)) / 2

    def narrowest(self, first: float, last: float) -> float:
        """The x from `first` to `last` where the allowed lines are closest together."""
        low, high = first, last
        at = (first + last) / 2
        for _ in range(_ROUNDS):
            x = np.linspace(low, high, _GRID)
            below, above = self.range_at(x)
            width = above - below
            good = np.flatnonzero(width <= width.min() * (1 + 1e-9))
            at = float(x[good[len(good) // 2]])  # the middle one where many are as narrow
            step = (high - low) / (_GRID - 1)
            low, high = max(at - step, first), min(at + step, last)
        return at


def region(
    below: Bounds | None, above: Bounds | None, slopes: tuple[float, float]
) -> Region | None:
    """The lines that pass below no point of one set and above none of the other.

    Args:
        below: points no line may pass below.
        above: points no line may pass above, given mirrored: `Bounds.of(x, -y)`.
        slopes: least and greatest slope allowed.

    Returns:
        None when no line is allowed, or when one of the sets is missing and heights have no end.
    """
    if below is None or above is None:
        return None
    turns = np.concatenate((below.slopes, -above.slopes))
    inside = turns[(turns > slopes[0]) & (turns < slopes[1])]
    slope = np.unique(np.concatenate((inside, slopes)))
    lack = below.least_height(slope) + above.least_height(-slope)  # convex; at most 0 if allowed
    best = int(np.argmin(lack))
    if lack[best] > 0:
        return None
    lacking = np.flatnonzero(lack > 0)
    before, after = lacking[lacking < best], lacking[lacking > best]
    ends = [
        _zero_between(slope, lack, int(before[-1]), int(before[-1]) + 1)
        if len(before)
        else slope[0],
        _zero_between(slope, lack, int(after[0]), int(after[0]) - 1) if len(after) else slope[-1],
    ]
    corners = np.concatenate((slope[lack <= 0], np.array(ends)))
    low, high = below.least_height(corners), -above.least_height(-corners)
    return Region(np.append(low, high), np.append(corners, corners))


def _zero_between(x: Floats, y: Floats, positive: int, other: int) -> float:
    """Where a straight piece from a positive to a value of at most 0 crosses 0."""
    share = y[positive] / (y[positive] - y[other])
    return float(x[positive] + share * (x[other] - x[positive]))
