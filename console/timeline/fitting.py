"""A clock fitted to anchors: offset, drift, and an honest band.

Delays have one sign, so an anchor bounds the clock from one side only, and the line is laid along
the envelope of the anchors (`skew`). Three steps:

1. Wrong anchors are left out (`crowd`): each side's anchors must lie with that side's crowd.
2. Every anchor kept is a bound within its slack. Bounds from both sides leave a polygon of allowed
   lines (`region`); bounds from one side leave a cone with no end, which is capped where chance
   ends: with n delays whose density at their least is f, the true line lies above the envelope by
   e at the mean time with density n f e^(-n f e) n f e, the same for a cone in height and slope
   under any delays that begin with a density (Gamma(2); f itself estimated from the shortest
   delays: `cap_ns`).
3. The answer is the middle of the allowed lines, the band their half-width.

What no fit can see: a delay that every anchor of one side has moves the clock by as much. Say it as
`least_delay_ns` where it is known (the time to send a line at its baud, say).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from console.timeline.anchors import AFTER, BEFORE, SAME, Anchors, Fit
from console.timeline.crowd import (
    crowd_slope,
    inward_crowd,
    least_squares,
    level,
    peeled,
)
from console.timeline.region import Bounds, Region, region
from console.timeline.skew import upper_edge
from console.timeline.steps import steps

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

DRIFT_LIMIT = 0.05  # an untrimmed RC oscillator is within 10 % of its name, most within 5 %
CRYSTAL_PPM = 250.0  # two crystals with poor load capacitors; what is assumed if nothing is known
SPREAD_LIMIT_NS = 500_000_000  # pairs of which not half lie this close together are chance
LEAST_ONE_SIDED = 3  # two touch any line: nothing says how long delays are
FLOOR_NS = 1_000_000  # delays closer together than this are one crowd
DOUBT = 0.01  # of the true line lying beyond the cap
LOOSE = 4.0  # a side whose delays scatter this many times more bounds, but does not measure
FEW = 5  # so does a side of fewer anchors than this, beside one of twice as many


@dataclass(frozen=True, slots=True, eq=False)
class _Points:
    """Anchors as floats near 0: x = native, y = common - native, in ns from bases."""

    x: Floats  # [n] ascending
    y: Floats  # [n]
    slack: Floats  # [n]
    side: npt.NDArray[np.int8]  # [n]
    order: Indices  # [n] places in the anchors
    x_base: int
    y_base: int

    @classmethod
    def of(cls, anchors: Anchors, least_delay_ns: int) -> _Points:
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
        )


def fit(
    anchors: Anchors,
    *,
    drift_limit: float = DRIFT_LIMIT,
    crystal_ppm: float = CRYSTAL_PPM,
    least_delay_ns: int = 0,
) -> Fit | None:
    """The clock that most of the anchors agree on.

    Args:
        anchors: n pairs; up to three in ten may be wrong, in clusters too. Any order.
        drift_limit: no clock drifts more.
        crystal_ppm: drift assumed to lie within this when the anchors leave more open than that
            and do not contradict it; beyond the anchors the band then grows at this rate.
        least_delay_ns: delay that every one-sided anchor has at least. It cannot be seen from one
            side: the common time of every mapped event is wrong by as much as it is left out.

    Returns:
        None when they do not agree to half a second, or leave a side open: fewer than three
        anchors of one side and none of the other.
    """
    if not len(anchors):
        return None
    points = _Points.of(anchors, least_delay_ns)
    found = _crowded(points, drift_limit)
    if found is None:
        return None
    kept, _ = found
    limits = (-drift_limit, drift_limit)
    allowed, kept = _allowed(points, kept, limits)
    if allowed is not None and allowed.half_slope > crystal_ppm * 1e-6:
        crystal = _within(allowed, crystal_ppm * 1e-6)
        if crystal is not None:
            narrowed, kept_so = _allowed(points, kept, crystal)
            allowed, kept = (narrowed, kept_so) if narrowed is not None else (allowed, kept)
    if allowed is None:
        return None
    return _fit_of(points, allowed, kept, _wander(points, kept, allowed))


def _within(allowed: Region, crystal: float) -> tuple[float, float] | None:
    """The range of a crystal's drift, where the allowed lines do not contradict it."""
    if allowed.slope.max() < -crystal or allowed.slope.min() > crystal:
        return None
    return -crystal, crystal


# --- which anchors ---------------------------------------------------------------------------


def _crowded(points: _Points, drift_limit: float) -> tuple[Mask, float] | None:
    """Anchors that lie with their side's crowd, and the crowd's slope."""
    sizes = {side: int((points.side == side).sum()) for side in (SAME, AFTER, BEFORE)}
    largest = max(sizes, key=lambda side: sizes[side])
    main = points.side == largest
    x, y = points.x[main], points.y[main]
    floor = _floor(points, largest)
    slope, at = crowd_slope(x, y, floor, drift_limit) if sizes[largest] > 2 else (0.0, level(y))
    span = max(float(np.ptp(x)), 1.0)
    too_steep = abs(slope) >= drift_limit and at.width < drift_limit * span / 4
    if at.width > SPREAD_LIMIT_NS or too_steep:
        return None
    kept = np.zeros(len(points.x), np.bool_)
    residual = points.y - slope * points.x
    for side in (SAME, AFTER, BEFORE):
        if sizes[side]:
            kept |= _side_crowd(points, residual, slope, side)
    return kept, slope


def _floor(points: _Points, side: int) -> float:
    if side == SAME:
        return float(np.median(points.slack[points.side == SAME]))
    return FLOOR_NS


def _side_crowd(points: _Points, residual: Floats, slope: float, side: int) -> Mask:
    """The crowd of one side's anchors: bool over all anchors."""
    own = np.flatnonzero(points.side == side)
    out = np.zeros(len(points.x), np.bool_)
    sign = -1.0 if side == BEFORE else 1.0
    outward = sign * residual[own]
    at = level(outward)
    kept, wrong_per_ns = inward_crowd(outward, at, _floor(points, side))
    if side == SAME:
        off = np.abs(outward - at.middle)
        kept = off <= np.maximum(1.5 * points.slack[own], 2.5 * at.width)
    else:
        kept = peeled(points.x[own], sign * points.y[own], kept, wrong_per_ns)
    out[own[kept]] = True
    return out


# --- which lines -----------------------------------------------------------------------------


def _allowed(
    points: _Points, kept: Mask, slopes: tuple[float, float]
) -> tuple[Region | None, Mask]:
    """The lines the anchors allow, and the anchors they rest on."""
    sizes = {side: int((kept & (points.side == side)).sum()) for side in (SAME, AFTER, BEFORE)}
    sided = [side for side in (AFTER, BEFORE) if sizes[side]]
    if len(sided) == 1 and not sizes[SAME]:
        if sizes[sided[0]] < LEAST_ONE_SIDED:
            return None, kept
        return _one_sided(points, kept, sided[0], slopes), kept
    measures = _measuring(points, kept, sizes)
    both = _two_sided(points, kept, measures, slopes)
    if both is not None:
        return both, kept
    return _contradicted(points, kept, sizes, slopes)


def _two_sided(
    points: _Points, kept: Mask, measures: int | None, slopes: tuple[float, float]
) -> Region | None:
    """Lines within every bound; capped on the side that measures, if one alone does."""
    low, high = kept & (points.side >= 0), kept & (points.side <= 0)
    below = _bounds(points, low, 1.0) if low.any() else None
    above = _bounds(points, high, -1.0) if high.any() else None
    if measures is None:
        return region(below, above, slopes)
    sign = float(measures)
    own = kept & (points.side == measures)
    cap = _cap(points, own, sign, slopes)
    if sign > 0:
        return region(below, _with(above, cap.x, -cap.y), slopes)
    return region(_with(below, cap.x, -cap.y), above, slopes)


def _measuring(points: _Points, kept: Mask, sizes: dict[int, int]) -> int | None:
    """The one side whose delays scatter so much less that it alone measures; None when both do."""
    scatter = {}
    for side in (AFTER, BEFORE):
        own = kept & (points.side == side)
        if sizes[side] >= LEAST_ONE_SIDED:
            sign = float(side)
            y = sign * points.y[own]
            scatter[side] = float(np.median(upper_edge(points.x[own], y).at(points.x[own]) - y))
    if not scatter:
        return None
    tight = min(scatter, key=lambda side: scatter[side])
    if sizes[tight] < 2 * FEW:
        return None
    if sizes[SAME]:
        slack = float(np.median(points.slack[kept & (points.side == SAME)]))
        if slack < LOOSE * scatter[tight]:
            return None
    other = -tight
    measures_too = sizes[other] >= FEW and scatter.get(other, 0.0) < LOOSE * scatter[tight]
    return None if measures_too else tight


def _contradicted(
    points: _Points, kept: Mask, sizes: dict[int, int], slopes: tuple[float, float]
) -> tuple[Region | None, Mask]:
    """Lines when the bounds leave none: the largest group is right, what contradicts it is not."""
    largest = max(sizes, key=lambda side: sizes[side])
    own = kept & (points.side == largest)
    trusted = (
        _same_moment(points, own, slopes)
        if largest == SAME
        else _one_sided(points, own, largest, slopes)
        if sizes[largest] >= LEAST_ONE_SIDED
        else None
    )
    if trusted is None:
        return None, kept
    lowest, highest = trusted.range_at(points.x)
    fits = np.where(points.side >= 0, points.y - points.slack <= highest, True)
    fits &= np.where(points.side <= 0, points.y + points.slack >= lowest, True)
    agreeing = kept & (own | fits)
    if (agreeing != kept).any():
        counts = {s: int((agreeing & (points.side == s)).sum()) for s in sizes}
        both = _two_sided(points, agreeing, _measuring(points, agreeing, counts), slopes)
        if both is not None:
            return both, agreeing
    return trusted, own


def _same_moment(points: _Points, own: Mask, slopes: tuple[float, float]) -> Region | None:
    """Lines through anchors of one moment each whose slack does not cover their scatter.

    The few beyond their slack are wrong, if they are few. Else the slack is understated: least
    squares, and three of its standard errors.
    """
    x, y, slack = points.x[own], points.y[own], points.slack[own]
    slope = min(max(least_squares(x, y, 0.0), slopes[0]), slopes[1])
    middle = float(x.mean())
    height = float((y - slope * (x - middle)).mean())
    off = np.abs(y - slope * (x - middle) - height)
    beyond = off > slack
    if beyond.mean() <= 0.1:
        inside = ~beyond
        below = Bounds.of(x[inside], (y - slack)[inside])
        above = Bounds.of(x[inside], (-y - slack)[inside])
        found = region(below, above, slopes)
        if found is not None:
            return found
    scatter = float(np.sqrt((off**2).sum() / max(len(x) - 2, 1)))
    error = 3 * scatter / np.sqrt(len(x)) + float(np.median(slack))
    along = float(np.sqrt(((x - middle) ** 2).sum()))
    slope_error = 3 * scatter / along if along else np.inf
    steep = np.clip([slope - slope_error, slope + slope_error], *slopes)
    corner_slopes = np.repeat(steep, 2)
    heights = height + np.tile([-error, error], 2) - corner_slopes * middle
    return Region(heights, corner_slopes)


def _one_sided(
    points: _Points, kept: Mask, side: int, slopes: tuple[float, float]
) -> Region | None:
    """Lines within the bounds of one side, up to where chance ends."""
    sign = float(side)
    own = kept & (points.side == side)
    below = _bounds(points, own, sign)
    cap = _cap(points, own, sign, slopes)
    mirrored = (-slopes[1], -slopes[0]) if sign < 0 else slopes
    found = region(below, Bounds(cap.x, -cap.y), mirrored)
    if found is None:
        return None
    found = found.joined(_on_grid(points, own, sign, below, mirrored))
    return found if sign > 0 else Region(-found.height, -found.slope)


def _bounds(points: _Points, own: Mask, sign: float) -> Bounds:
    return Bounds.of(points.x[own], sign * points.y[own] - points.slack[own])


def _with(bounds: Bounds | None, x: Floats, y: Floats) -> Bounds:
    """Bounds with one more point."""
    if bounds is None:
        return Bounds(x, y)
    at = int(np.searchsorted(bounds.x, x[0]))
    return Bounds.of(np.insert(bounds.x, at, x[0]), np.insert(bounds.y, at, y[0]))


def _cap(points: _Points, own: Mask, sign: float, slopes: tuple[float, float]) -> Bounds:
    """The point above which (for `sign` -1: mirrored) the true line does not pass but by chance."""
    x = points.x[own]
    y = sign * points.y[own] - points.slack[own]
    mirrored = (-slopes[1], -slopes[0]) if sign < 0 else slopes
    edge = upper_edge(x, y)
    middle = edge.x
    slope = min(max(edge.slope, mirrored[0]), mirrored[1])
    bounds = Bounds.of(x - middle, y)
    height = float(bounds.least_height(np.array([slope]))[0])
    depth = height + slope * (x - middle) - y
    slack = float(points.slack[own][[edge.left, edge.right]].max())
    top = height + cap_ns(depth) + 2 * slack
    return Bounds(np.array([middle]), np.array([top]))


def _on_grid(
    points: _Points, own: Mask, sign: float, below: Bounds, slopes: tuple[float, float]
) -> Region | None:
    """Lines that delays below one tick of a coarse stamp would allow besides.

    Events that repeat in step with the stamp's tick (polls every 800 ms, arrivals stamped every
    16 ms) all have the same delay, up to a tick: the shortest is then not near 0.
    """
    native = points.x[own]
    some = native[:: max(len(native) // 1000, 1)]
    tick = int(np.gcd.reduce(np.diff(some).astype(np.int64))) if len(some) > 2 else 0
    if tick < 1000 or (np.mod(native - native[0], tick) != 0).any():
        return None
    y = sign * points.y[own]
    slack = points.slack[own]
    if 2 * float(np.median(slack)) >= tick:
        return None
    return region(below, Bounds.of(native, -(y + slack + tick)), slopes)


def cap_ns(depth: Floats) -> float:
    """How far above the envelope of one-sided delays the true line may lie, but by chance.

    For n delays of an exponential law the shortest k lie, in total and censored at the k-th, S
    below the fitted edge, with S Gamma(k - 2); the true line lies e above it at the mean time,
    with n e Gamma(2) of the same scale. Then n e / S is beta prime(2, k - 2). Any other law looks
    alike near its least; so the shortest half, quarter.. are asked too, and the widest answer is
    taken. Delays that change together (arrivals stamped by a coarse tick) are fewer than n.

    Args:
        depth: float64[n] in order of time: how far below the edge each lies; n at least 3.
    """
    n = len(depth)
    shortest = np.maximum(depth, 0.0)
    k = n
    caps = []
    while k == n or k >= 8:
        shortest = np.partition(shortest, k - 1)[:k] if k < len(shortest) else shortest
        total = float(shortest.sum()) + (n - k) * float(shortest.max())
        caps.append(total / n * _beta_prime_quantile(k - 2))
        k //= 2
    return max(caps) * n / _independent(depth)


def _independent(depth: Floats) -> float:
    """How many of the delays are independent, by how often they cross their median."""
    n = len(depth)
    crossings = int(np.count_nonzero(np.diff(depth > np.median(depth))))
    if n < 16 or crossings >= (n - 1) / 2 - 1.5 * np.sqrt(n):
        return float(n)
    return float(max(2 * crossings, 2))


@lru_cache(maxsize=256)
def _beta_prime_quantile(m: int) -> float:
    """Where a beta prime(2, m) variable is exceeded with chance `DOUBT`.

    With s = 1 / (1 + q) that chance is s^m (1 + m (1 - s)), from the incomplete beta function.
    """
    low, high = 0.0, 1.0
    for _ in range(80):
        s = (low + high) / 2
        if s**m * (1 + m * (1 - s)) > DOUBT:
            high = s
        else:
            low = s
    return 1 / low - 1


def _wander(points: _Points, kept: Mask, allowed: Region) -> float:
    """How far the anchors say the clock strays from any one line, in ns.

    If the row's envelope comes nearest its line within each eighth by no more than chance lets it,
    nothing strays.
    """
    surplus = 0.0
    for side in (AFTER, BEFORE):
        own = kept & (points.side == side)
        n = int(own.sum())
        if n < 64:
            continue
        x, y = points.x[own], side * points.y[own]
        edge = upper_edge(x, y)
        depth = edge.at(x) - y
        starts = np.linspace(0, n, 8, endpoint=False).astype(np.int64)
        nearest = np.minimum.reduceat(depth, starts)
        by_chance = 8 * cap_ns(depth) * (np.log(8) + 4) / 5
        surplus = max(surplus, float(nearest.max()) - by_chance)
    return surplus


def _fit_of(points: _Points, allowed: Region, kept: Mask, wander: float) -> Fit:
    """The middle of the allowed lines, their half-width as the band."""
    x = points.x[kept]
    centre = float(np.rint(allowed.narrowest(float(x[0]), float(x[-1]))))
    below, above = allowed.range_at(centre)
    drift = float(allowed.slope.max() + allowed.slope.min()) / 2
    centre_ns = points.x_base + int(centre)
    gap_ns = points.y_base + round(float(below[0] + above[0]) / 2)
    in_input_order = np.empty_like(kept)
    in_input_order[points.order] = kept
    return Fit(
        offset_ns=gap_ns - round(centre_ns * drift),
        drift=drift,
        centre_ns=centre_ns,
        band_ns=int(np.ceil((above[0] - below[0]) / 2 + wander)) + 1,
        band_ppm=allowed.half_slope * 1e6,
        kept=in_input_order,
    )


# --- pieces ----------------------------------------------------------------------------------


def pieces(
    anchors: Anchors,
    *,
    drift_limit: float = DRIFT_LIMIT,
    crystal_ppm: float = CRYSTAL_PPM,
    least_delay_ns: int = 0,
) -> list[tuple[Indices, Fit]]:
    """Fits of the undisturbed stretches, split where the clock was stepped or stood still.

    Args:
        anchors: as for `fit`, in any order; native times may jump back.
        drift_limit: as for `fit`.
        crystal_ppm: as for `fit`.
        least_delay_ns: as for `fit`.

    Returns:
        For each stretch that can be fitted, in order of the common time: the places of its anchors
        in the input, in that order, and its fit, whose `kept` is in the same order.
    """
    order = np.argsort(anchors.common_ns, kind="stable")
    cuts = steps(anchors.native_ns[order], anchors.common_ns[order])
    found = []
    for part in np.split(order, cuts):
        own = fit(
            anchors.taken(part),
            drift_limit=drift_limit,
            crystal_ppm=crystal_ppm,
            least_delay_ns=least_delay_ns,
        )
        if own is not None:
            found.append((part, own))
    return found
