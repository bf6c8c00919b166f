"""A line through anchors of two clocks, one of which always comes second.

What a print says was on the wire first, so the delay between the two has one sign. The line is laid
along the side of the anchors where the delay is least; what lies far off the crowd is no anchor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]

DRIFT_LIMIT = 0.05  # an untrimmed RC oscillator is within 10 % of its name, most within 5 %
SPREAD_LIMIT_NS = 500_000_000  # equal values further apart than this are chance
LEAST_ANCHORS = 3
FLOOR_NS = 1_000_000  # anchors closer to the crowd than this are never thrown out


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """`common = native + offset + drift * native` through the anchors kept."""

    offset_ns: int
    drift: float
    band_ns: int
    kept: npt.NDArray[np.bool_]  # [n] which anchors lie on it

    @property
    def anchors(self) -> int:
        """How many anchors lie on it."""
        return int(self.kept.sum())

    def residual_ns(self, native_ns: Int64s, common_ns: Int64s) -> npt.NDArray[np.float64]:
        """How far above the line each pair lies."""
        drifted = np.rint(native_ns * self.drift).astype(np.int64)
        above: npt.NDArray[np.float64] = (common_ns - native_ns - drifted - self.offset_ns).astype(
            np.float64
        )
        return above


def fitted_line(native_ns: Int64s, common_ns: Int64s, *, comes_second: bool) -> Line | None:
    """The line of two clocks through pairs of times, or None when they are no pairs.

    Args:
        native_ns: int64[n] times on the clock to be mapped, any order.
        common_ns: int64[n] the moments on the common axis that carried the same value.
        comes_second: whether the mapped source's event follows the other (a print follows the
            wire), else it goes before.

    Returns:
        None when fewer than three agree or they scatter by more than half a second.
    """
    if len(native_ns) < LEAST_ANCHORS:
        return None
    order = np.argsort(native_ns, kind="stable")
    # Differences from the first pair keep the floats small: the ns of epoch times would be lost.
    x = (native_ns[order] - native_ns[order[0]]).astype(np.float64)
    gap = common_ns[order] - native_ns[order]
    base = int(np.median(gap))
    y = (gap - base).astype(np.float64)
    drift = _middle_slope(x, y)
    if abs(drift) > DRIFT_LIMIT:
        return None
    residual = y - drift * x
    kept = _crowd(residual)
    if kept.sum() < LEAST_ANCHORS:
        return None
    drift = _refined(x[kept], y[kept], drift)
    residual = y - drift * x
    kept = _crowd(residual)
    spread = float(np.ptp(residual[kept]))
    if kept.sum() < LEAST_ANCHORS or spread > SPREAD_LIMIT_NS:
        return None
    edge = residual[kept].max() if comes_second else residual[kept].min()
    offset = base + round(edge - drift * float(native_ns[order[0]]))
    in_input_order = np.empty_like(kept)
    in_input_order[order] = kept
    return Line(offset, drift, max(round(spread), 1), in_input_order)


def _middle_slope(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> float:
    """Median slope between points half the row apart (Theil 1950, with n/2 pairs for speed)."""
    half = len(x) // 2
    run, rise = x[half:] - x[: len(x) - half], y[half:] - y[: len(x) - half]
    steep = run > 0
    return float(np.median(rise[steep] / run[steep])) if steep.any() else 0.0


def _crowd(residual: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Which residuals lie with the crowd: within five median deviations of the median."""
    off = np.abs(residual - np.median(residual))
    return off <= max(5 * 1.4826 * float(np.median(off)), FLOOR_NS)


def _refined(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], drift: float) -> float:
    """Least-squares slope of the crowd; no drift where the span is too short to tell one.

    A slope is known to about the scatter over the span. Where that is worse than what crystals
    differ by (100 ppm for two of 50 ppm), claiming no drift is the better guess.
    """
    span = float(np.ptp(x))
    if span == 0:
        return 0.0
    middle = x - x.mean()
    slope = float((middle * (y - y.mean())).sum() / (middle * middle).sum())
    error = float(np.std(y - slope * x)) / span
    return slope if error < 100e-6 or abs(drift) > 10 * error else 0.0
