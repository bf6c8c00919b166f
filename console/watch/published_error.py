"""How far published distances are from measured ones: bias, spread, and whether it grows.

Errors are kept as counts in half millimetres and as sums of whole micrometres, so that memory is
fixed and nothing depends on the order in which pairs come.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.pulses_spread import DEVIATION

Floats = npt.NDArray[np.float64]

_BINS_PER_CM = 20
_MOST_CM = 300
_UM_PER_CM = 10_000
_MOST_UM = 10**7  # 10 m: farther is no echo, and squares of sums stay whole


@dataclass(frozen=True, slots=True)
class ErrorOf:
    """What errors came to; in cm."""

    pairs: int
    bias_cm: float  # the middle one
    spread_cm: float  # robust deviation around it
    slope: float  # error per distance, least squares
    offset_cm: float  # at distance 0, by that line
    reach_cm: tuple[float, float]  # the distances that were seen

    @property
    def grows_cm(self) -> float:
        """By how much the error changes over the distances that were seen."""
        return abs(self.slope) * (self.reach_cm[1] - self.reach_cm[0])


class PublishedErrors:
    """Takes pairs of a published and a measured distance, in any order."""

    def __init__(self) -> None:
        self._counts = np.zeros(2 * _MOST_CM * _BINS_PER_CM + 1, np.int64)
        self._n = self._d = self._e = self._dd = self._de = 0
        self._reach_um = [_MOST_UM, 0]

    def add(self, published_cm: Floats, measured_cm: Floats) -> None:
        """Count float64[n] pairs; what is not finite, or farther than 10 m, is left out."""
        within = np.abs(published_cm) * _UM_PER_CM <= _MOST_UM
        there = np.isfinite(published_cm) & np.isfinite(measured_cm) & within
        published, measured = published_cm[there], measured_cm[there]
        if not len(published):
            return
        error_cm = published - measured
        at = np.clip(np.rint(error_cm * _BINS_PER_CM), -_MOST_CM * _BINS_PER_CM, None)
        at = np.minimum(at, _MOST_CM * _BINS_PER_CM).astype(np.int64) + _MOST_CM * _BINS_PER_CM
        self._counts += np.bincount(at, minlength=len(self._counts))
        d = np.rint(measured * _UM_PER_CM).astype(np.int64).tolist()
        e = np.rint(error_cm * _UM_PER_CM).astype(np.int64).tolist()
        self._n += len(d)
        # Whole numbers of any size: exact, and so the same in whatever order pairs come.
        self._d, self._e = self._d + sum(d), self._e + sum(e)
        self._dd += sum(x * x for x in d)
        self._de += sum(x * y for x, y in zip(d, e, strict=True))
        self._reach_um = [min(self._reach_um[0], *d), max(self._reach_um[1], *d)]

    def found(self) -> ErrorOf | None:
        """What they came to; None without a pair."""
        if not self._n:
            return None
        centre = (np.arange(len(self._counts)) - _MOST_CM * _BINS_PER_CM) / _BINS_PER_CM
        bias = _middle(centre, self._counts)
        away = np.abs(centre - bias)
        order = np.argsort(away, kind="stable")
        spread = DEVIATION * _middle(away[order], self._counts[order])
        n, below = self._n, self._n * self._dd - self._d * self._d
        slope = (n * self._de - self._d * self._e) / below if below else 0.0
        offset = (self._e - slope * self._d) / n / _UM_PER_CM
        low, high = self._reach_um
        return ErrorOf(n, bias, spread, slope, offset, (low / _UM_PER_CM, high / _UM_PER_CM))


def _middle(values: Floats, counts: npt.NDArray[np.int64]) -> float:
    """The middle of values that rise, each counted so often."""
    total = counts.cumsum()
    return float(values[int(np.searchsorted(total, (total[-1] + 1) // 2))])
