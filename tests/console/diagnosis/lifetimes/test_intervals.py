"""Exact intervals against published values."""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from console.diagnosis.lifetimes.intervals import events_interval, share_interval

# Clopper and Pearson 1934, Biometrika 26, 404-413; by their formula in four programs.
SHARES = [
    (7, 20, 0.153909, 0.592189),
    (0, 30, 0.0, 0.115703),
    (10, 100, 0.049005, 0.176223),
    (3, 1000, 0.000619, 0.008742),
    (20, 20, 0.831567, 1.0),
]
# Garwood 1936, Biometrika 28, 437-442.
EVENTS = [
    (0, 0.0, 3.68888),
    (1, 0.02532, 5.57164),
    (3, 0.61867, 8.76727),
    (5, 1.62349, 11.66833),
    (10, 4.79539, 18.39036),
]


@pytest.mark.parametrize(("found", "tries", "low", "high"), SHARES)
def test_share_is_as_published(found: int, tries: int, low: float, high: float) -> None:
    assert share_interval(found, tries) == pytest.approx((low, high), abs=1e-6)


@pytest.mark.parametrize(("found", "tries"), [(1, 7), (6, 7), (400, 1000)])
def test_share_is_that_of_scipy(found: int, tries: int) -> None:
    other = binomtest(found, tries).proportion_ci(0.9, method="exact")
    assert share_interval(found, tries, 0.9) == pytest.approx((other.low, other.high))


@pytest.mark.parametrize(("found", "low", "high"), EVENTS)
def test_events_are_as_published(found: int, low: float, high: float) -> None:
    assert events_interval(found) == pytest.approx((low, high), abs=1e-5)


@pytest.mark.parametrize(("found", "tries"), [(3, 2), (-1, 4), (0, 0)])
def test_an_impossible_share_is_refused(found: int, tries: int) -> None:
    with pytest.raises(ValueError, match=f"{found} of {tries}"):
        share_interval(found, tries)


def test_fewer_than_no_events_are_refused() -> None:
    with pytest.raises(ValueError, match="-1"):
        events_interval(-1)
