"""Exact intervals against published values."""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from console.diagnosis.lifetimes.intervals import share_interval

# Clopper and Pearson 1934, Biometrika 26, 404-413; by their formula in four programs.
SHARES = [
    (7, 20, 0.153909, 0.592189),
    (0, 30, 0.0, 0.115703),
    (10, 100, 0.049005, 0.176223),
    (3, 1000, 0.000619, 0.008742),
    (20, 20, 0.831567, 1.0),
]


@pytest.mark.parametrize(("found", "tries", "low", "high"), SHARES)
def test_share_is_as_published(found: int, tries: int, low: float, high: float) -> None:
    assert share_interval(found, tries) == pytest.approx((low, high), abs=1e-6)


@pytest.mark.parametrize(("found", "tries"), [(1, 7), (6, 7), (400, 1000)])
def test_share_is_that_of_scipy(found: int, tries: int) -> None:
    other = binomtest(found, tries).proportion_ci(0.9, method="exact")
    assert share_interval(found, tries, 0.9) == pytest.approx((other.low, other.high))


@pytest.mark.parametrize(("found", "tries"), [(3, 2), (-1, 4), (0, 0)])
def test_an_impossible_share_is_refused(found: int, tries: int) -> None:
    with pytest.raises(ValueError, match=f"{found} of {tries}"):
        share_interval(found, tries)
