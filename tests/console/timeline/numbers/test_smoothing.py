from __future__ import annotations

import numpy as np
import pytest

from console.timeline.numbers.smoothing import averaged, noise_of


@pytest.mark.parametrize("deviation", [0.01, 1.0, 250.0])
def test_noise_on_a_slope_is_told_without_the_slope(deviation: float) -> None:
    noise = np.random.default_rng(5).normal(0, deviation, 20_000)
    assert noise_of(np.linspace(0, 1000 * deviation, 20_000) + noise) == pytest.approx(
        deviation, rel=0.03
    )


def test_one_jump_is_no_noise() -> None:
    assert noise_of(np.repeat([0.0, 50.0], 100)) == 0.0


def test_too_few_values_have_no_noise_to_tell() -> None:
    assert noise_of(np.array([1.0, 5.0, 2.0, 8.0])) == 0.0


def test_averaging_brings_noise_down_as_far_as_it_says() -> None:
    noise = np.random.default_rng(6).normal(0, 1.0, 50_000)
    smooth, left = averaged(noise, 1.0, 0.1, 10_000, 0.0)
    assert left <= 0.1
    assert smooth.std() == pytest.approx(left, rel=0.15)


def test_averaging_reaches_no_further_than_allowed() -> None:
    step = np.repeat([0.0, 1.0], 100)
    smooth, _ = averaged(step, 1.0, 0.01, 5, 0.0)
    assert np.flatnonzero((smooth > 0) & (smooth < 1)).tolist() == [98, 99, 100, 101]


def test_what_was_before_keeps_the_first_values_down() -> None:
    smooth, _ = averaged(np.ones(100), 1.0, 0.01, 9, 0.0)
    assert smooth[0] == pytest.approx(5 / 9)
    assert smooth[-1] == 1.0


def test_quiet_values_are_left_alone() -> None:
    values = np.array([1.0, 2.0, 4.0])
    smooth, left = averaged(values, 0.1, 0.2, 100, 0.0)
    assert smooth is values
    assert left == 0.1
