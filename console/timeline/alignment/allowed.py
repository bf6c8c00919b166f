"""Which lines the anchors allow: bounds of both sides, or of one side and chance."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchor_pairs import AFTER, BEFORE, SAME
from console.timeline.alignment.chance import cap_ns
from console.timeline.alignment.crowd import Edged, least_squares
from console.timeline.alignment.points import SIDES, Points
from console.timeline.alignment.region import Bounds, Region, region
from console.timeline.alignment.skew import upper_edge
from console.timeline.ticks import LEAST_TICK_NS, tick

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Slopes = tuple[float, float]

LEAST_ONE_SIDED = 3  # two touch any line: nothing says how long delays are
LOOSE = 4.0  # a side whose delays scatter this many times more bounds, but does not measure
FEW = 5  # so does a side of fewer anchors than this beside one of at least twice as many
LIKELY = 0.2  # chance that the true line lies beyond the cap of typical lines,
DOUBT = 0.01  # and beyond that of credible ones,
REACH = 2.0  # which is then doubled: the least delays can be rarer than any number of anchors shows
STRAY = 0.1  # share of anchors of one moment that may lie beyond their slack and be called wrong
SAFE = 3.0  # standard errors


def allowed(
    points: Points, chosen: Edged, slopes: Slopes, *, typical: bool = False
) -> tuple[Region, Mask] | None:
    """The lines that the chosen anchors allow, and the anchors they rest on.

    Args:
        points: n anchors.
        chosen: which of them count.
        slopes: least and greatest slope a line may have.
        typical: allow of one side's anchors only lines that are likely, not all that are credible;
            the middle of these is the better guess.

    Returns:
        None when heights have no end: fewer than three anchors of one side, none of the other.
    """
    sizes = _sizes(points, chosen.kept)
    sided = [side for side in (AFTER, BEFORE) if sizes[side]]
    if len(sided) == 1 and not sizes[SAME]:
        found = _one_sided(points, chosen, sided[0], slopes, typical)
        return None if found is None else (found, chosen.kept)
    both = _two_sided(points, chosen, slopes, typical)
    return (
        (both, chosen.kept) if both is not None else _contradicted(points, chosen, slopes, typical)
    )


def _sizes(points: Points, mask: Mask) -> dict[int, int]:
    return {side: int((mask & (points.side == side)).sum()) for side in SIDES}


def _two_sided(points: Points, chosen: Edged, slopes: Slopes, typical: bool) -> Region | None:
    """Lines within every bound; capped on the side that measures, if one alone does."""
    low, high = chosen.firm & (points.side >= 0), chosen.firm & (points.side <= 0)
    below = _bounds(points, low, 1.0) if low.any() else None
    above = _bounds(points, high, -1.0) if high.any() else None
    measuring = _measuring(points, chosen.kept)
    if measuring is not None:
        own = chosen.wide & (points.side == measuring)
        x, top = _cap(points, own, float(measuring), slopes, typical)
        if measuring == AFTER:
            above = _with(above, x, -top)
        else:
            below = _with(below, x, -top)
    return region(below, above, slopes)


def _measuring(points: Points, kept: Mask) -> int | None:
    """The one side whose delays scatter so much less that it alone measures; None when both do."""
    sizes, scatter = _sizes(points, kept), {}
    for side in (AFTER, BEFORE):
        if sizes[side] >= FEW:
            own = kept & (points.side == side)
            x, y = points.x[own], side * points.y[own]
            scatter[side] = float(np.median(upper_edge(x, y).at(x) - y))
    if not scatter:
        return None
    tight = min(scatter, key=lambda side: scatter[side])
    if sizes[tight] < 2 * FEW:
        return None
    if sizes[SAME]:
        slack = float(np.median(points.slack[kept & (points.side == SAME)]))
        if slack < LOOSE * scatter[tight]:
            return None
    return tight if scatter.get(-tight, np.inf) >= LOOSE * scatter[tight] else None


def _contradicted(
    points: Points, chosen: Edged, slopes: Slopes, typical: bool
) -> tuple[Region, Mask] | None:
    """Lines when the bounds leave none: the largest group is right, what contradicts it is not."""
    sizes = _sizes(points, chosen.kept)
    largest = max(sizes, key=lambda side: sizes[side])
    own = chosen.kept & (points.side == largest)
    trusted = (
        _same_moment(points, own, slopes)
        if largest == SAME
        else _one_sided(points, chosen, largest, slopes, typical)
    )
    if trusted is None:
        return None
    lowest, highest = trusted.range_at(points.x)
    fits = (points.side < 0) | (points.y - points.slack <= highest)
    fits &= (points.side > 0) | (points.y + points.slack >= lowest)
    agreeing = own | fits
    if not agreeing[chosen.kept].all():
        rest = Edged(chosen.kept & agreeing, chosen.wide & agreeing, chosen.firm & agreeing)
        both = _two_sided(points, rest, slopes, typical)
        if both is not None:
            return both, rest.kept
    return trusted, own


def _same_moment(points: Points, own: Mask, slopes: Slopes) -> Region | None:
    """Lines through anchors of one moment each whose slack does not cover their scatter.

    The few beyond their slack are wrong, if they are few. Else the slack is understated: least
    squares, and `SAFE` of its standard errors.
    """
    x, y, slack = points.x[own], points.y[own], points.slack[own]
    slope = min(max(least_squares(x, y, 0.0), slopes[0]), slopes[1])
    middle = float(x.mean())
    height = float((y - slope * (x - middle)).mean())
    off = np.abs(y - slope * (x - middle) - height)
    beyond = off > slack
    if beyond.mean() <= STRAY:
        inside = ~beyond
        below = Bounds.of(x[inside], (y - slack)[inside])
        above = Bounds.of(x[inside], (-y - slack)[inside])
        found = region(below, above, slopes)
        if found is not None:
            return found
    scatter = float(np.sqrt((off**2).sum() / max(len(x) - 2, 1)))
    error = SAFE * scatter / np.sqrt(len(x)) + float(np.median(slack))
    along = float(np.sqrt(((x - middle) ** 2).sum()))
    slope_error = SAFE * scatter / along if along else np.inf
    steep = np.clip([slope - slope_error, slope + slope_error], *slopes)
    corner_slopes = np.repeat(steep, 2)
    heights = height + np.tile([-error, error], 2) - corner_slopes * middle
    return Region(heights, corner_slopes)


def _one_sided(
    points: Points, chosen: Edged, side: int, slopes: Slopes, typical: bool
) -> Region | None:
    """Lines within the bounds of one side, up to where chance ends."""
    sign = float(side)
    wide, firm = (mask & (points.side == side) for mask in (chosen.wide, chosen.firm))
    if firm.sum() < LEAST_ONE_SIDED:
        return None
    below = _bounds(points, firm, sign)
    x, top = _cap(points, wide, sign, slopes, typical)
    mirrored = slopes if side == AFTER else (-slopes[1], -slopes[0])
    found = region(below, Bounds(np.array([x]), np.array([-top])), mirrored)
    if found is None:
        return None
    ticks = _on_ticks(points, firm, sign, below, mirrored, guess=not typical)
    found = found.joined(ticks)
    return found if side == AFTER else Region(-found.height, -found.slope)


def _bounds(points: Points, own: Mask, sign: float) -> Bounds:
    return Bounds.of(points.x[own], sign * points.y[own] - points.slack[own])


def _with(bounds: Bounds | None, x: float, y: float) -> Bounds:
    """Bounds with one more point."""
    if bounds is None:
        return Bounds(np.array([x]), np.array([y]))
    at = int(np.searchsorted(bounds.x, x))
    return Bounds.of(np.insert(bounds.x, at, x), np.insert(bounds.y, at, y))


def _cap(
    points: Points, own: Mask, sign: float, slopes: Slopes, typical: bool
) -> tuple[float, float]:
    """The point above which (for `sign` -1: mirrored) the true line does not pass but by chance."""
    x = points.x[own]
    y = sign * points.y[own] - points.slack[own]
    edge = upper_edge(x, y)
    limits = sorted((sign * slopes[0], sign * slopes[1]))
    slope = min(max(edge.slope, limits[0]), limits[1])
    run = x - edge.x
    height = float(Bounds.of(run, y).least_height(np.array([slope]))[0])
    slack = float(points.slack[own][[edge.left, edge.right]].max())
    # Slack that is new with every anchor (a last digit) ends where the envelope does; slack that
    # is one for all (another clock's band) lifts it by up to twice as much.
    depth = height + slope * run - y
    above = cap_ns(depth, LIKELY) + slack if typical else REACH * (cap_ns(depth, DOUBT) + slack)
    return edge.x, height + above


def _on_ticks(
    points: Points, own: Mask, sign: float, below: Bounds, slopes: Slopes, *, guess: bool
) -> Region | None:
    """Lines that delays below one tick of a coarse stamp would allow besides.

    Events that repeat in step with the stamp's tick (polls every 800 ms, arrivals stamped every
    16 ms) all have the same delay, up to a tick: the shortest is then not near 0.
    """
    slack = points.slack[own]
    tick_ns, is_seen = tick(points.x[own])
    known_ns = 2 * float(np.median(slack))
    if tick_ns <= known_ns or not (is_seen or (guess and known_ns <= LEAST_TICK_NS)):
        return None
    above = Bounds.of(points.x[own], -(sign * points.y[own] + slack + tick_ns))
    return region(below, above, slopes)
