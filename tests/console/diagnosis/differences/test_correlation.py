"""How many values in a row are worth one."""

from __future__ import annotations

import numpy as np
import pytest

from console.diagnosis.differences.correlation import Floats, correlation_time


def wandering(dice: np.random.Generator, kept: float, n: int) -> Floats:
    """An autoregressive series of order one."""
    values = dice.standard_normal(n)
    for k in range(1, n):
        values[k] = kept * values[k - 1] + (1 - kept**2) ** 0.5 * values[k]
    return values


def test_values_drawn_by_chance_each_count() -> None:
    assert correlation_time(np.random.default_rng(1).standard_normal(5_000)) < 1.2


# Of an autoregressive series of order one: (1 + a) / (1 - a). Bayley and Hammersley (1946).
@pytest.mark.parametrize("kept", [0.5, 0.8, 0.9])
def test_of_a_series_that_wanders_so_many_count_as_one(kept: float) -> None:
    found = correlation_time(wandering(np.random.default_rng(2), kept, 50_000))
    assert found == pytest.approx((1 + kept) / (1 - kept), rel=0.1)


def test_a_straight_rise_is_worth_a_handful() -> None:
    assert correlation_time(np.arange(250.0)) > 25


@pytest.mark.parametrize("values", [[], [3.0], [3.0] * 40, [1.0, 2.0] * 40])
def test_what_does_not_wander_counts_in_full(values: list[float]) -> None:
    assert correlation_time(np.array(values, np.float64)) == 1
