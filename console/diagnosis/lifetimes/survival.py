"""The share that still lives after a time, without assuming any law (Kaplan and Meier, 1958).

The standard error is Greenwood's. The 95 % interval is by the log-log transform (that of
ln(-ln S)), which stays within 0 and 1; other programs use other transforms and so print other
intervals around the same estimate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Int64s = npt.NDArray[np.int64]

_Z_95 = 1.959963984540054  # quantile 0.975 of the normal law


@dataclass(frozen=True, slots=True, eq=False)
class Survival:
    """The estimate at each age at which something failed; n rows, n may be 0."""

    age: Floats  # [n] rising
    at_risk: Int64s  # [n] lives that had lasted so long; one censored at that age is among them
    failed: Int64s  # [n] at that age
    share: Floats  # [n] that lives on after it
    error: Floats  # [n] Greenwood's standard error of the share
    low: Floats  # [n] 95 %, log-log
    high: Floats  # [n]

    @property
    def median(self) -> float | None:
        """The first age after which no more than half live; None when more than half still do."""
        return _first(self.age, self.share)

    @property
    def median_range(self) -> tuple[float | None, float | None]:
        """The 95 % range of the median: where the limits of the share cross a half.

        Source: Brookmeyer and Crowley 1982, Biometrics 38, 29-41. None where one never does.
        """
        return _first(self.age, self.low), _first(self.age, self.high)


def kaplan_meier(failed: Sequence[float], censored: Sequence[float] = ()) -> Survival:
    """The estimate from ages at failure and ages of those that had not failed."""
    ages = np.sort(np.array([*failed, *censored], np.float64))
    age, deaths = np.unique(np.array(failed, np.float64), return_counts=True)
    at_risk = len(ages) - np.searchsorted(ages, age)
    share: Floats = np.cumprod((at_risk - deaths) / at_risk, dtype=np.float64)
    alive = share > 0  # where nobody is left there is neither an error nor an interval
    lived, survivors = share[alive], (at_risk - deaths)[alive]
    summed = np.cumsum(deaths[alive] / (at_risk[alive] * survivors))
    error = np.full(len(age), np.nan)
    low, high = error.copy(), error.copy()
    error[alive] = lived * np.sqrt(summed)
    away = _Z_95 * np.sqrt(summed) / np.abs(np.log(lived))
    low[alive], high[alive] = lived ** np.exp(away), lived ** np.exp(-away)
    return Survival(
        age=age,
        at_risk=at_risk.astype(np.int64),
        failed=deaths.astype(np.int64),
        share=share,
        error=error,
        low=low,
        high=high,
    )


def _first(age: Floats, share: Floats) -> float | None:
    low = np.flatnonzero(share <= 0.5 + 1e-12)
    return float(age[low[0]]) if len(low) else None
