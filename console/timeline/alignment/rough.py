"""A first line through pairs of two clocks: near enough to tell pairs from chance.

Where clocks differ by an offset and a drift, right pairs crowd along one line. The drift is the
middle of the slopes between pairs an eighth of the row apart, so that neither a third of wrong
pairs nor a clock set in between moves it; the crowd is the densest half second beside that line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.pairing import LEAST_PAIRS, Pairs

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

CROWD_NS = 500_000_000  # right pairs differ by a delay, and delays are shorter than this
CROWD_SHARE = 0.2  # of all pairs that must lie in the crowd: chance pairs lie anywhere
MANY = 20  # pairs from which on a drift of an RC oscillator is believed
FEW_DRIFT, MANY_DRIFT = 0.001, 0.05  # most drift believed from few and from many pairs


@dataclass(frozen=True, slots=True, eq=False)
class RoughLine:
    """`common = native + base + drift * (native - origin)`, and the pairs that crowd along it."""

    origin_ns: int
    base_ns: int
    drift: float
    spread_ns: int  # of the crowd's middle nine tenths
    kept: npt.NDArray[np.bool_]

    def off_ns(self, own_ns: Int64s, other_ns: Int64s) -> Floats:
        """How far the other clock's moments lie after the line's."""
        x = (own_ns - self.origin_ns).astype(np.float64)
        return (other_ns - own_ns - self.base_ns).astype(np.float64) - self.drift * x


def rough_line(pairs: Pairs) -> RoughLine | None:
    """The line most pairs crowd along, or None when they lie as chance would put them."""
    n = len(pairs)
    if n < LEAST_PAIRS:
        return None
    origin = int(pairs.own_ns[0])
    gap = pairs.other_ns - pairs.own_ns
    base = int(np.median(gap))
    x = (pairs.own_ns - origin).astype(np.float64)
    y = (gap - base).astype(np.float64)
    drift = _middle_slope(x, y)
    if abs(drift) > (MANY_DRIFT if n >= MANY else FEW_DRIFT):
        drift = 0.0
    for _ in range(2):
        kept = _crowd(y - drift * x)
        if kept.sum() < max(LEAST_PAIRS, CROWD_SHARE * n):
            return None
        drift += _slope(x[kept], (y - drift * x)[kept], few=n < MANY)
    residual = y - drift * x
    kept = _crowd(residual)
    if kept.sum() < max(LEAST_PAIRS, CROWD_SHARE * n):
        return None
    spread = float(np.ptp(np.quantile(residual[kept], (0.05, 0.95))))
    middle = round(float(np.median(residual[kept])))
    return RoughLine(origin, base + middle, drift, round(spread), kept)


def _middle_slope(x: Floats, y: Floats) -> float:
    lag = max(1, len(x) // 8)
    run, rise = x[lag:] - x[:-lag], y[lag:] - y[:-lag]
    forward = run > 0
    return float(np.median(rise[forward] / run[forward])) if forward.any() else 0.0


def _crowd(residual: Floats) -> npt.NDArray[np.bool_]:
    """Which lie in the densest stretch of `CROWD_NS`."""
    ordered = np.sort(residual)
    counts = np.searchsorted(ordered, ordered + CROWD_NS, side="right") - np.arange(len(ordered))
    low = float(ordered[int(np.argmax(counts))])
    inside: npt.NDArray[np.bool_] = (residual >= low) & (residual <= low + CROWD_NS)
    return inside


def _slope(x: Floats, y: Floats, *, few: bool) -> float:
    """What drift the crowd has left: middle of the slopes half the row apart (Theil 1950)."""
    half = len(x) // 2
    run, rise = x[half:] - x[: len(x) - half], y[half:] - y[: len(x) - half]
    forward = run > 0
    if not forward.any():
        return 0.0
    slope = float(np.median(rise[forward] / run[forward]))
    limit = FEW_DRIFT if few else MANY_DRIFT
    return slope if abs(slope) <= limit else 0.0
