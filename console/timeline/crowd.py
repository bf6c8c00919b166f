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

from console.timeline.skew import Edge, upper_edge

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SLOPE_SAMPLE = 301  # points of which all pairs are looked at
LEVEL_SAMPLE = 20_001
ROUNDS = 3
OUTWARD = 2.5  # half-widths beyond the level, on the side where delays end
INWARD = 5.0  # and on the side of long delays
FAR = 10.0  # half-widths beyond OUTWARD in which wrong anchors are counted
NEAR_EDGE = 1024  # points nearest the edge that are looked at when peeling
PEELS = 40


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
    width = max(at.width, floor)
    off = outward - at.middle
    kept = (off <= OUTWARD * width) & (off >= -INWARD * width)
    beyond = off > OUTWARD * width
    if not beyond.any():
        return kept, 0.0
    near = int((beyond & (off <= (OUTWARD + FAR) * width)).sum())
    return kept, (near + 0.5) / (FAR * width)


def peeled(x: Floats, y: Floats, kept: Mask, wrong_per_ns: float) -> Mask:
    """Without the points above the upper edge that are likelier wrong than rare short delays.

    Points the edge rests on are taken off one at a time, each time the one whose loss lowers the
    edge more. With `d` points a ns just inside the edge and `w` wrong ones a ns, lowering the
    edge by h and giving up k points changes the log-likelihood of a uniform edge by
    `d h - k log(d / w)`; the k with the greatest gain is taken, none if none gains.

    Args:
        x: float64[n] ascending.
        y: float64[n], with the delays hanging down.
        kept: bool[n] the crowd.
        wrong_per_ns: how crowded wrong points are; 0 leaves everything.
    """
    if not wrong_per_ns or kept.sum() < 8:
        return kept
    edge = upper_edge(x[kept], y[kept])
    depth = np.where(kept, edge.at(x) - y, np.inf)
    count = int(kept.sum())
    near = np.flatnonzero(depth <= _smallest(depth, min(count, NEAR_EDGE)))
    lost, gain = _peels(x[near], y[near], edge, count, wrong_per_ns)
    out = kept.copy()
    best = int(np.argmax(gain)) if gain else 0
    if gain and gain[best] > 0:
        out[near[lost[: best + 1]]] = False
    return out


def _peels(
    x: Floats, y: Floats, edge: Edge, count: int, wrong_per_ns: float
) -> tuple[list[int], list[float]]:
    """Points taken off in order, and the gain in log-likelihood after each."""
    left = np.arange(len(x))
    lost: list[int] = []
    gain: list[float] = []
    now = upper_edge(x, y, edge.x)
    start = now.y
    quarter = max(count // 4, 4)
    for _ in range(min(PEELS, len(x) - 4)):
        trials = []
        for k in {now.left, now.right}:
            rest = np.delete(left, k)
            trial = upper_edge(x[rest], y[rest], edge.x)
            trials.append((trial.y, k, rest, trial))
        height, k, rest, now = min(trials, key=lambda trial: trial[0])
        lost.append(int(left[k]))
        left = rest
        depth = now.at(x[left]) - y[left]
        reach = _smallest(depth, min(quarter, len(left)))
        density = min(quarter, len(left)) / max(reach, 1.0)
        odds = math.log(max(density / wrong_per_ns, 1.0))
        gain.append(density * (start - height) - len(lost) * odds)
    return lost, gain


def _smallest(values: Floats, k: int) -> float:
    """The k-th smallest value, k from 1."""
    return float(np.partition(values, k - 1)[k - 1])
