"""Which anchors belong together: a start that wrong ones, up to three in ten, cannot move.

The slope comes from repeated medians (Siegel, Biometrika 69, 1982; breaks down at one half), the
level from the shortest interval that holds half of the residuals. What then still sticks out over
the edge where delays end is told from a rare short delay by how crowded the anchors are on either
side of the edge: `peeled`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.skew import Edge, upper_edge

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SLOPE_SAMPLE = 301  # points of which all pairs are looked at
LEVEL_SAMPLE = 20_001
ROUNDS = 3
OUTWARD = 2.5  # half-widths beyond the level, on the side where delays end
INWARD = 5.0  # and on the side of long delays
FAR = (1.0, 2.5, 10.0)  # half-widths beyond OUTWARD in which wrong anchors are counted
NEAR_EDGE = 4096  # points nearest the edge that are looked at when peeling
PEELS = 80  # points taken off one at a time at most; about 0.3 ms each
CREDIBLE = 3.0  # of log-likelihood: a twentieth as likely as the best
STRETCH = 256  # points whose middle is known well enough
MOST_STRETCHES = 32
FRINGE = 5.0  # wrong points expected over the edge from which on they are first cut by residual


@dataclass(frozen=True, slots=True)
class Level:
    """The shortest interval that holds half of some values."""

    middle: float
    width: float


def repeated_median(x: Floats, y: Floats) -> float:
    """Slope: the median over points of the median slope to all others; 0 for a single x."""
    if len(x) > SLOPE_SAMPLE:
        at = np.sort(np.random.default_rng(1).choice(len(x), SLOPE_SAMPLE, replace=False))
        x, y = x[at], y[at]
    x, first = np.unique(x, return_index=True)
    y = y[first]
    if len(x) < 2:
        return 0.0
    others = ~np.eye(len(x), dtype=np.bool_)
    run = (x[None, :] - x[:, None])[others].reshape(len(x), -1)
    rise = (y[None, :] - y[:, None])[others].reshape(len(x), -1)
    return float(np.median(np.median(rise / run, axis=1)))


def level(values: Floats) -> Level:
    """The shortest interval with half of the values (n at least 1)."""
    if len(values) > LEVEL_SAMPLE:
        values = np.random.default_rng(2).choice(values, LEVEL_SAMPLE, replace=False)
    ordered = np.sort(values)
    half = len(ordered) // 2 + 1
    widths = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
    least = widths.min()
    at = np.flatnonzero(widths == least)  # equal ones: the middle of them
    k = int(at[len(at) // 2])
    return Level(float(ordered[k] + ordered[k + half - 1]) / 2, float(least))


def crowd_slope(x: Floats, y: Floats, floor: float, limit: float) -> tuple[float, Level]:
    """Slope and level of most of the points.

    Args:
        x: float64[n] ascending, n at least 1.
        y: float64[n].
        floor: scatter below which nothing is told apart.
        limit: greatest slope a clock can have.
    """
    slope = min(max(repeated_median(x, y), -limit), limit)
    for _ in range(ROUNDS):
        residual = y - slope * x
        at = level(residual)
        inside = np.abs(residual - at.middle) <= OUTWARD * max(at.width, floor)
        slope = min(max(least_squares(x[inside], y[inside], slope), -limit), limit)
    return slope, level(y - slope * x)


def least_squares(x: Floats, y: Floats, otherwise: float) -> float:
    """Least-squares slope; `otherwise` for fewer than three points or a single x."""
    if len(x) < 3 or x[0] == x[-1]:
        return otherwise
    middle = x - x.mean()
    return float(middle @ (y - y.mean()) / (middle @ middle))


def inward_crowd(outward: Floats, at: Level, floor: float) -> tuple[Mask, float]:
    """Which points lie with the crowd, and how crowded wrong ones are beyond its edge.

    Args:
        outward: float64[n] residuals, growing towards the side where delays end.
        at: their level.
        floor: scatter below which nothing is told apart.

    Returns:
        bool[n], and wrong points per ns of residual; 0 when nothing lies beyond at all.
    """
    width = max(at.width, floor) * (1 + 10 / len(outward))  # half of a few is a narrow lot
    off = outward - at.middle
    kept = (off <= OUTWARD * width) & (off >= -INWARD * width)
    beyond = np.sort(off[off > OUTWARD * width]) - OUTWARD * width
    if not len(beyond):
        return kept, 0.0
    counts = np.searchsorted(beyond, np.array(FAR) * width)
    return kept, float(((counts + 0.5) / (np.array(FAR) * width)).max())


@dataclass(frozen=True, slots=True, eq=False)
class Edged:
    """A crowd without what sticks out of its edge: the likeliest, and how far chance leaves it."""

    kept: Mask  # [n] the likeliest
    wide: Mask  # [n] as few taken off as is credible: the true line lies above none but by chance
    firm: Mask  # [n] as many taken off as is credible: the true line lies below none of these

    @classmethod
    def sure(cls, kept: Mask) -> Edged:
        """Where nothing is in doubt."""
        return cls(kept, kept, kept)

    @property
    def best(self) -> Edged:
        """As if the likeliest were sure."""
        return Edged.sure(self.kept)


def peeled(x: Floats, y: Floats, kept: Mask, wrong_per_ns: float) -> Edged:
    """Without the points above the upper edge that are likelier wrong than rare short delays.

    Points the edge rests on are taken off one at a time, each time the one whose loss lowers the
    edge more. With `d` points a ns just inside the edge and `w` wrong ones a ns, lowering the
    edge by h and giving up k points changes the log-likelihood of a uniform edge by
    `d h - k log(d / w)`; every k within `CREDIBLE` of the greatest is credible (twice that towards
    taking off fewer: an edge that thins out looks as if wrong points hung over it).

    Args:
        x: float64[n] ascending.
        y: float64[n], with the delays hanging down.
        kept: bool[n] the crowd.
        wrong_per_ns: how crowded wrong points are; 0 leaves everything.
    """
    if not wrong_per_ns or kept.sum() < 8:
        return Edged.sure(kept)
    kept = _without_fringe(x, y, kept, wrong_per_ns)
    edge = upper_edge(x[kept], y[kept])
    depth = np.where(kept, edge.at(x) - y, np.inf)
    count = int(kept.sum())
    near = np.flatnonzero(depth <= _smallest(depth, min(count, NEAR_EDGE)))
    reach = _smallest(depth, count // 2 + 1)
    expected = wrong_per_ns * max(reach, 0.0)  # half on the edge itself: less by rounding
    most = min(int(expected + 4 * math.sqrt(expected)) + 2, count // 4, PEELS)
    lost, gain, sure_gain = _peels(x[near], y[near], edge, count, wrong_per_ns, most)
    counts = (
        int(np.argmax(gain)),
        int(np.argmax(np.array(sure_gain) >= max(sure_gain) - 2 * CREDIBLE)),
        int(np.flatnonzero(np.array(gain) >= max(gain) - CREDIBLE)[-1]),
    )
    masks = []
    for k in (counts[0], min(counts), max(counts)):
        left = kept.copy()
        left[near[lost[:k]]] = False
        masks.append(left)
    return Edged(*masks)


def _without_fringe(x: Floats, y: Floats, kept: Mask, wrong_per_ns: float) -> Mask:
    """Without what lies well beyond the edge of the crowd, by its residuals alone.

    Peeling looks at one point after another; where tens of wrong ones hang over the edge, most go
    here first.
    """
    inward = np.where(kept, _course(x, y, kept) - y, np.inf)
    ordered = np.sort(inward[kept])
    count = len(ordered)
    density = (count // 2) / max(float(ordered[3 * count // 4] - ordered[count // 4]), 1.0)
    if wrong_per_ns * (ordered[count // 2] - ordered[0]) < FRINGE or density <= wrong_per_ns:
        return kept
    odds = math.log(density / wrong_per_ns)
    half = ordered[: count // 2]
    gain = (density - wrong_per_ns) * (half - half[0]) - odds * np.arange(len(half))
    edge = float(half[int(np.argmax(gain))])
    # Room for a slope not yet known well, but for no more wrong ones than can be peeled one by one.
    margin = min((float(ordered[count // 2]) - edge) / 2, PEELS / 2 / wrong_per_ns)
    return kept & (inward >= edge - margin)


def _course(x: Floats, y: Floats, kept: Mask) -> Floats:
    """Where the crowd runs: a line, and how far its middle strays from that in each stretch."""
    slope = least_squares(x[kept], y[kept], 0.0)
    course: Floats = slope * x
    own = np.flatnonzero(kept)
    stretches = min(len(own) // STRETCH, MOST_STRETCHES)
    if stretches < 4:
        return course
    parts = np.array_split(own, stretches)
    # Medians: the shortest half of delays that are all as likely lies anywhere among them.
    levels = [float(np.median(y[part] - course[part])) for part in parts]
    strayed: Floats = course + np.interp(x, [x[part].mean() for part in parts], levels)
    return strayed


def _peels(
    x: Floats, y: Floats, edge: Edge, count: int, wrong_per_ns: float, most: int
) -> tuple[list[int], list[float], list[float]]:
    """Points taken off in order, and what is gained before the first and after each.

    The gain is given twice: with the density as it is found, and with one that is less by its
    standard error and a half, since few points seem dense by chance.
    """
    left = np.arange(len(x))
    lost: list[int] = []
    gain, sure_gain = [0.0], [0.0]
    now = upper_edge(x, y, edge.x)
    start = now.y
    inside = min(max(count // 4, min(12, count // 2)), len(x) - most)
    doubt = 1.5 / math.sqrt(inside)
    for _ in range(most):
        trials = []
        for k in (now.left, now.right):
            rest = np.delete(left, k)
            trial = upper_edge(x[rest], y[rest], edge.x)
            trials.append((trial.y, k, rest, trial))
        height, k, rest, now = min(trials, key=lambda trial: trial[0])
        lost.append(int(left[k]))
        left = rest
        reach = max(_smallest(now.at(x[left]) - y[left], inside), 1.0)
        for gains, density in (
            (gain, (inside - 2) / reach),  # two lie on the edge because it was laid there
            (sure_gain, (inside - 2) / reach * (1 - doubt)),
        ):
            odds = math.log(max(density / wrong_per_ns, 1.0))
            gains.append(density * (start - height) - len(lost) * odds)
    return lost, gain, sure_gain


def _smallest(values: Floats, k: int) -> float:
    """The k-th smallest value, k from 1."""
    return float(np.partition(values, k - 1)[k - 1])
