"""Anchors as floats near 0, and which of them belong together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchor_pairs import AFTER, BEFORE, SAME, AnchorPairs
from console.timeline.alignment.crowd import Edged, crowd_slope, inward_crowd, level, peeled

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

SIDES = (SAME, AFTER, BEFORE)
SPREAD_LIMIT_NS = 500_000_000  # pairs of which not half lie this close together are chance
FLOOR_NS = 1_000_000  # delays closer together than this are one crowd


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Anchors as floats near 0: x = native, y = common - native, in ns from bases."""

    x: Floats  # [n] ascending
    y: Floats  # [n]
    slack: Floats  # [n]
    side: npt.NDArray[np.int8]  # [n]
    order: Indices  # [n] places in the anchors
    x_base: int
    y_base: int
    accepted: Mask | None  # [n] to be kept wherever that is possible

    @classmethod
    def of(cls, anchors: AnchorPairs, least_delay_ns: int) -> Points:
        """Anchors (n at least 1) in order of native time, their least delay taken off."""
        native = anchors.native_ns
        order = (
            np.arange(len(native))
            if bool((native[1:] >= native[:-1]).all())
            else np.argsort(native, kind="stable")
        )
        native, side = native[order], anchors.side[order]
        gap = anchors.common_ns[order] - native + least_delay_ns * side.astype(np.int64)
        x_base = int(native[0]) + (int(native[-1]) - int(native[0])) // 2
        y_base = int(np.partition(gap, len(gap) // 2)[len(gap) // 2])
        return cls(
            (native - x_base).astype(np.float64),
            (gap - y_base).astype(np.float64),
            anchors.slack_ns[order].astype(np.float64) + 1.0,  # both stamps are rounded to ns
            side,
            order,
            x_base,
            y_base,
            None if anchors.accepted is None else anchors.accepted[order],
        )

    def count(self, side: int) -> int:
        """How many anchors are of a side."""
        return int((self.side == side).sum())


def crowded(points: Points, drift_limit: float) -> Edged | None:
    """The anchors that lie with their side's crowd, for the slope of the largest side.

    Returns:
        None when half of them do not lie within half a second, or drift more than a clock can.
    """
    largest = max(SIDES, key=points.count)
    main = points.side == largest
    x, y = points.x[main], points.y[main]
    slope, at = (0.0, level(y))
    if len(x) > 2:
        slope, at = crowd_slope(x, y, _floor_ns(points, largest), drift_limit)
    too_steep = abs(slope) >= drift_limit and at.width < drift_limit * float(np.ptp(x)) / 4
    if at.width > SPREAD_LIMIT_NS or too_steep:
        return None
    masks = np.zeros((3, len(points.x)), np.bool_)
    for side in SIDES:
        own = np.flatnonzero(points.side == side)
        if len(own):
            found = _side_crowd(points, own, slope, side)
            masks[:, own] = found.kept, found.wide, found.firm
    return Edged(*masks)


def _floor_ns(points: Points, side: int) -> float:
    if side == SAME:
        return float(np.median(points.slack[points.side == SAME]))
    return FLOOR_NS


def _side_crowd(points: Points, own: Indices, slope: float, side: int) -> Edged:
    """The crowd of one side's anchors, which stand at `own`."""
    sign = -1.0 if side == BEFORE else 1.0
    x, outward = points.x[own], sign * points.y[own]
    residual = outward - sign * slope * x
    if side != SAME:
        return one_sided_crowd(x, outward, residual)
    at = level(residual)
    off = np.abs(residual - at.middle)
    return Edged.sure(off <= np.maximum(1.5 * points.slack[own], 2.5 * at.width))


def one_sided_crowd(x: Floats, y: Floats, residual: Floats) -> Edged:
    """The crowd of one side's anchors.

    Args:
        x: float64[n] ascending, n at least 1.
        y: float64[n], with the delays hanging down.
        residual: float64[n], y without its slope.
    """
    kept, wrong_per_ns = inward_crowd(residual, level(residual), FLOOR_NS)
    return peeled(x, y, kept, wrong_per_ns)
