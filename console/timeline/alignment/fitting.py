"""A clock fitted to anchors: offset, drift, and an honest band.

Delays have one sign, so an anchor bounds the clock from one side only, and the line is laid along
the envelope of the anchors (`skew`). Three steps:

1. Wrong anchors are left out (`crowd`): each side's anchors must lie with that side's crowd.
2. Every anchor kept is a bound within its slack. Bounds from both sides leave a polygon of allowed
   lines (`region`). Bounds from one side leave a cone with no end, which is capped where chance
   ends: for n delays whose density at their least is f, the true line's height e above the
   envelope at the mean time has the density (n f)^2 e exp(-n f e), a cone's width growing with e;
   f is estimated from the shortest delays (`chance`).
3. The answer is the middle of the likely lines; the band reaches to all that are credible.

What no fit can see: a delay that every anchor of one side has moves the clock by as much. Say it as
`least_delay_ns` where it is known (the time to send a line at its baud, say).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.accepted import with_accepted
from console.timeline.alignment.allowed import DOUBT, allowed
from console.timeline.alignment.anchor_pairs import AFTER, BEFORE, AnchorPairs, Fit
from console.timeline.alignment.chance import cap_ns
from console.timeline.alignment.points import Points, crowded, one_sided_crowd
from console.timeline.alignment.region import Region
from console.timeline.alignment.skew import upper_edge
from console.timeline.alignment.steps import steps

Mask = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

DRIFT_LIMIT = 0.05  # an untrimmed RC oscillator is within 10 % of its name, most within 5 %
CRYSTAL_PPM = 250.0  # two crystals with poor load capacitors; what is assumed if nothing is known
STRETCH = 64  # anchors from which on a stretch of the row tells whether the clock strays there
MOST_STRETCHES = 8
STRETCH_SAMPLE = 4096  # anchors looked at in a long one
WITHIN = 1.5  # it strays by so much more within a stretch than in its middle


def fit(
    anchors: AnchorPairs,
    *,
    drift_limit: float = DRIFT_LIMIT,
    crystal_ppm: float = CRYSTAL_PPM,
    least_delay_ns: int = 0,
) -> Fit | None:
    """The clock that most of the anchors agree on.

    Args:
        anchors: n pairs; up to three in ten may be wrong, in clusters too. Any order. Those
            accepted by hand are kept wherever a line can obey them.
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
    points = Points.of(anchors, least_delay_ns)
    chosen = crowded(points, drift_limit)
    if chosen is None:
        return None
    slopes = (-drift_limit, drift_limit)
    chosen = with_accepted(points, chosen, slopes)
    credible = allowed(points, chosen, slopes)
    crystal = crystal_ppm * 1e-6
    if credible is not None and _leaves_open(credible[0], crystal):
        slopes = (-crystal, crystal)
        credible = allowed(points, chosen, slopes) or credible
    likely = allowed(points, chosen.best, slopes, typical=True)
    if credible is None or likely is None:
        return None
    return _fit_of(points, likely[0], likely[0].joined(credible[0]), likely[1])


def _leaves_open(lines: Region, crystal: float) -> bool:
    """Whether drift is known worse than a crystal's, and may be a crystal's."""
    least, most = float(lines.slope.min()), float(lines.slope.max())
    return most - least > 2 * crystal and least <= crystal and most >= -crystal


def _fit_of(points: Points, best: Region, lines: Region, kept: Mask) -> Fit:
    """The middle of the best lines; the band reaches to all that are credible."""
    x = points.x[kept]
    centre = float(np.rint(best.narrowest(float(x[0]), float(x[-1]))))
    low, high = (float(edge[0]) for edge in best.range_at(centre))
    gap, drift = (low + high) / 2, float(best.slope.max() + best.slope.min()) / 2
    off = float(np.abs(lines.height + lines.slope * centre - gap).max())
    off = max(off, _wander(points, kept, gap - drift * centre, drift))
    centre_ns = points.x_base + int(centre)
    in_input_order = np.empty_like(kept)
    in_input_order[points.order] = kept
    return Fit(
        offset_ns=points.y_base + round(gap) - round(centre_ns * drift),
        drift=drift,
        centre_ns=centre_ns,
        band_ns=int(np.ceil(off)) + 1,
        band_ppm=float(np.abs(lines.slope - drift).max()) * 1e6,
        kept=in_input_order,
    )


def _wander(points: Points, kept: Mask, height: float, slope: float) -> float:
    """How far the clock certainly strays from the line: no clock keeps one pace for hours.

    Each stretch of the row has an envelope of its own, and the clock does not run above that by
    more than chance; how far that is below the line is how far it strays.
    """
    strays = 0.0
    for side in (AFTER, BEFORE):
        own = np.flatnonzero(points.side == side)
        count = min(int(kept[own].sum()) // STRETCH, MOST_STRETCHES)
        for part in np.array_split(own, count) if count > 1 else ():
            part = part[:: max(len(part) // STRETCH_SAMPLE, 1)]
            x, slack = points.x[part], float(points.slack[part].max())
            outward = side * (points.y[part] - height - slope * x)
            # Wrong anchors here may hang over this stretch's edge and yet under the whole row's.
            firm = one_sided_crowd(x, outward, outward).firm
            x, outward = x[firm], outward[firm]
            edge = upper_edge(x, outward)
            by_chance = cap_ns(edge.at(x) - outward, DOUBT / count) + slack
            strays = max(strays, -(edge.y + by_chance))
    return WITHIN * strays


def pieces(
    anchors: AnchorPairs,
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
