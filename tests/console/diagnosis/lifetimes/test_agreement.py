"""How well memoryless lives agree by chance: the formula against quadrature and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from console.diagnosis.lifetimes.agreement import (
    chance_agreement,
    log_spread,
    spread_needed,
    upper_ratio,
)


@pytest.mark.parametrize("ratio", [1.01, 1.05, 1.1, 2.0, 30.0])
def test_two_agree_with_probability_r_minus_1_over_r_plus_1(ratio: float) -> None:
    assert chance_agreement(2, ratio) == pytest.approx((ratio - 1) / (ratio + 1))


@pytest.mark.parametrize("lives", [2, 3, 5, 9])
@pytest.mark.parametrize("ratio", [1.02, 1.5, 8.0])
def test_formula_is_the_integral_it_was_made_from(lives: int, ratio: float) -> None:
    def density(x: float) -> float:
        return lives * math.exp(-x) * (math.exp(-x) - math.exp(-ratio * x)) ** (lives - 1)

    integral = quad(density, 0, 20, epsabs=0, epsrel=1e-9)[0]
    assert chance_agreement(lives, ratio) == pytest.approx(integral, rel=1e-6)


@pytest.mark.parametrize(("lives", "ratio"), [(2, 1.1), (3, 1.3), (4, 1.5), (6, 2.5)])
def test_simulated_lives_agree_so_often(lives: int, ratio: float) -> None:
    ages = np.random.default_rng(lives).exponential(size=(200_000, lives))
    share = float((ages.max(1) <= ratio * ages.min(1)).mean())
    p = chance_agreement(lives, ratio)
    assert share == pytest.approx(p, abs=4 * math.sqrt(p / 200_000))


@pytest.mark.parametrize(("lives", "ratio"), [(2, 1.1), (3, 1.3), (5, 2.0)])
def test_lives_of_unequal_means_agree_more_rarely_still(lives: int, ratio: float) -> None:
    means = np.array([1.0, 2.0, 1.0, 0.5, 1.0])[:lives]
    ages = np.random.default_rng(7).exponential(size=(200_000, lives)) * means
    assert float((ages.max(1) <= ratio * ages.min(1)).mean()) < chance_agreement(lives, ratio)


def test_one_life_agrees_with_itself_and_infinite_ratios_always_agree() -> None:
    assert (chance_agreement(1, 1.0), chance_agreement(4, math.inf)) == (1.0, 1.0)


def test_small_counts_are_no_proof_though_they_are_equal() -> None:
    ratio = upper_ratio([3, 3], [1, 1])
    assert ratio == pytest.approx(4 / 3)
    assert chance_agreement(2, ratio) > 0.1


def test_a_count_of_none_agrees_with_nothing() -> None:
    assert upper_ratio([0, 5], [1, 1]) == math.inf


def test_equal_counts_keep_the_spread_that_a_step_leaves_open() -> None:
    assert log_spread([1000, 1000], [1, 1]) == pytest.approx(0.001 / math.sqrt(12))


def test_spread_is_that_of_the_logarithms() -> None:
    assert log_spread([100, 200], [1, 1]) == pytest.approx(math.log(2) / math.sqrt(2))


@pytest.mark.parametrize(("lives", "times"), [(2, 63.66), (3, 9.95), (4, 5.43)])
def test_the_fewer_the_lives_the_wider_must_a_rival_be(lives: int, times: float) -> None:
    # roots of the 99 % points of F(1, 1) = 4052, F(2, 2) = 99.0, F(3, 3) = 29.46
    assert spread_needed(lives) == pytest.approx(times, abs=0.01)


def test_what_went_by_before_a_life_could_end_is_no_agreement() -> None:
    # ten minutes of waiting, and then one minute or two
    assert upper_ratio([660, 720], [0, 0]) == pytest.approx(12 / 11)
    assert upper_ratio([660, 720], [0, 0], [60, 120]) == pytest.approx(2)
