"""Anchors that the user wants kept: bounds like those of the crowd, wherever a line can obey them.

A line cannot where the anchor lies half a second and more from where its side's anchors lie, or
where the anchors of the other side bound it away from there.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.crowd import Edged, least_squares
from console.timeline.alignment.points import SIDES, SPREAD_LIMIT_NS, Points
from console.timeline.alignment.region import Bounds, Region, region

Mask = npt.NDArray[np.bool_]


def with_accepted(points: Points, chosen: Edged, slopes: tuple[float, float]) -> Edged:
    """The crowd, with those accepted by hand that are possible beside it.

    Args:
        points: n anchors.
        chosen: the crowd that was found without a look at what was accepted.
        slopes: least and greatest slope a line may have.

    Returns:
        The crowd as it is when those accepted are possible one by one and not together.
    """
    if points.accepted is None:
        return chosen
    wanted = points.accepted & _near(points, chosen.kept, slopes)
    lines = _lines(points, chosen.firm, slopes)
    if lines is not None:
        lowest, highest = lines.range_at(points.x)
        wanted &= (points.side < 0) | (points.y - points.slack <= highest)
        wanted &= (points.side > 0) | (points.y + points.slack >= lowest)
    both = Edged(chosen.kept | wanted, chosen.wide | wanted, chosen.firm | wanted)
    if lines is not None and _lines(points, both.firm, slopes) is None:
        return chosen
    return both


def _near(points: Points, kept: Mask, slopes: tuple[float, float]) -> Mask:
    """Which lie close enough to the crowd of their side to be no chance."""
    near = np.zeros_like(kept)
    for side in SIDES:
        own = points.side == side
        crowd = own & kept
        if crowd.any():
            slope = least_squares(points.x[crowd], points.y[crowd], 0.0)
            off = points.y - min(max(slope, slopes[0]), slopes[1]) * points.x
            near |= own & (np.abs(off - np.median(off[crowd])) <= SPREAD_LIMIT_NS)
    return near


def _lines(points: Points, firm: Mask, slopes: tuple[float, float]) -> Region | None:
    """Lines between the bounds of both sides; None with bounds of one, or against each other."""
    low, high = firm & (points.side >= 0), firm & (points.side <= 0)
    if not (low.any() and high.any()):
        return None
    below = Bounds.of(points.x[low], (points.y - points.slack)[low])
    above = Bounds.of(points.x[high], -(points.y + points.slack)[high])
    return region(below, above, slopes)
