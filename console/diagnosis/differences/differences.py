"""What differs between two runs of a device beyond chance and beyond what matters.

Rates are compared by the exact interval of a share (Clopper and Pearson) of all events of both
runs, widened where they come in clumps. Waits by Mann and Whitney's U with its normal law, ties
corrected (Annals of Mathematical Statistics 18, 1947, 50-60), and widened where neighbours are
alike (`correlation.py`): a pace that wanders is not another pace. Everything that is compared is
one of many: the 5 % are shared among all (Bonferroni). A difference must also be one that matters,
or long runs would differ in everything.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from console.diagnosis.differences.correlation import correlation_time
from console.diagnosis.differences.habits import Habits, Rate
from console.diagnosis.lifetimes.intervals import share_interval

Floats = npt.NDArray[np.float64]
What = Literal["new", "missing", "rate", "wait"]

ALPHA = 0.05
_RATE_MATTERS = 1.1  # times as often, at least
_WAIT_MATTERS = 0.02  # of the median
_OVERLAP_MATTERS = 0.65  # probability that one of the longer is longer than one of the shorter
# Independent waits that a run must be worth: how far a pace wanders is not known from fewer.
_FEWEST_APART = 10


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that differs. Of a rate `first` and `other` are events in an hour, of a wait ns."""

    what: What
    name: str
    first: float
    other: float
    ratio: float  # other over first; infinite for what is new
    # Of a rate the interval of the ratio that holds, in 95 %, for all comparisons at once.
    interval: tuple[float, float] | None = None


def differences(first: Habits, other: Habits) -> list[Difference]:
    """What is otherwise in the other run, the most telling first.

    Args:
        first: the run to compare with. What only one of the two watched is not compared.
        other: of the same device.
    """
    rates = sorted(
        name
        for name in {*first.rates, *other.rates}
        if first.could_see(name, other) and other.could_see(name, first)
    )
    waits = sorted({*first.waits} & {*other.waits})
    tries = max(len(rates) + len(waits), 1)
    found = [*_of_rates(first, other, rates, tries), *_of_waits(first, other, waits, tries)]
    order = {"new": 0, "missing": 0, "wait": 1, "rate": 2}
    return sorted(found, key=lambda d: (order[d.what], -abs(math.log(_finite(d.ratio))), d.name))


def _finite(ratio: float) -> float:
    return min(max(ratio, 1e-9), 1e9)


def _of_rates(first: Habits, other: Habits, names: list[str], tries: int) -> Iterator[Difference]:
    none = Rate(0.0, 1.0)
    for name in names:
        a, b = first.rates.get(name, none), other.rates.get(name, none)
        clumps = max(a.clumps, b.clumps)
        low, high = _ratio_interval(a.n / clumps, b.n / clumps, first, other, ALPHA / tries)
        if low <= _RATE_MATTERS and high >= 1 / _RATE_MATTERS:
            continue
        a_hour, b_hour = (n * 3.6e12 / h.span_ns for n, h in ((a.n, first), (b.n, other)))
        what: What = "new" if not a.n else "missing" if not b.n else "rate"
        ratio = b_hour / a_hour if a.n else math.inf
        yield Difference(what, name, a_hour, b_hour, ratio, (low, high))


def _ratio_interval(
    a: float, b: float, first: Habits, other: Habits, alpha: float
) -> tuple[float, float]:
    """Exact interval of the ratio of two rates, given how many events there are in all."""
    low, high = share_interval(b, a + b, 1 - alpha)
    spans = first.span_ns / other.span_ns
    ends = [math.inf if p >= 1 else p / (1 - p) * spans for p in (low, high)]
    return ends[0], ends[1]


def _of_waits(first: Habits, other: Habits, names: list[str], tries: int) -> Iterator[Difference]:
    for name in names:
        a, b = first.waits[name], other.waits[name]
        alike = correlation_time(a) / len(a), correlation_time(b) / len(b)
        longer, p = mann_whitney(a, b, sum(alike) / (1 / len(a) + 1 / len(b)))
        middles = float(np.median(a)), float(np.median(b))
        if min(middles) <= 0 or p * tries > ALPHA or max(alike) * _FEWEST_APART > 1:
            continue
        ratio = middles[1] / middles[0]
        matters = abs(ratio - 1) >= _WAIT_MATTERS and abs(longer - 0.5) >= _OVERLAP_MATTERS - 0.5
        if matters:
            yield Difference("wait", name, *middles, ratio)


def mann_whitney(a: Floats, b: Floats, wider: float = 1.0) -> tuple[float, float]:
    """How probable it is that one of b is longer than one of a (ties a half), and chance's p.

    Two-sided, by the normal law with ties and continuity corrected; for twenty or more of each.

    Args:
        a: float64[n].
        b: float64[m].
        wider: times the variance that U has of independent values.
    """
    from scipy.special import ndtr

    n, m = len(a), len(b)
    both = np.concatenate([a, b])
    values, inverse, counts = np.unique(both, return_inverse=True, return_counts=True)
    upto = np.cumsum(counts)
    ranks = (upto - (counts - 1) / 2)[inverse]
    u = float(ranks[n:].sum() - m * (m + 1) / 2)
    ties = float((counts.astype(np.float64) ** 3 - counts).sum())
    variance = wider * n * m / 12 * (n + m + 1 - ties / ((n + m) * (n + m - 1)))
    if variance <= 0 or len(values) == 1:
        return 0.5, 1.0
    away = max(abs(u - n * m / 2) - 0.5, 0.0) / math.sqrt(variance)
    return u / (n * m), float(2 * ndtr(-away))
