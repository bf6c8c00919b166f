"""The Weibull fit against published figures, another library's fit, and limiting cases."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import CensoredData, weibull_min

from console.diagnosis.lifetimes.weibull import Interval, Weibull, weibull, weibull_shape

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3, data of 8.2.2.1: 20 units, hours.
FAILED = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
STOPPED = [500] * 10
# 6-MP arm of Freireich et al. 1963, Blood 21, 699-716, weeks.
WEEKS, STILL = [6, 6, 6, 7, 10, 13, 16, 22, 23], [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]


def handbook() -> Weibull:
    found = weibull(FAILED, STOPPED)
    assert found is not None
    return found


def test_handbook_example_comes_out_as_published() -> None:
    found = handbook()
    got = (found.shape.value, found.scale.value, found.log_likelihood, found.mean.value)
    assert got == pytest.approx((1.7208, 606.5280, -75.135, 540.737), rel=1e-4)


def test_handbook_example_has_the_quantiles_its_law_gives() -> None:
    found = handbook()
    assert (found.b10.value, found.median.value) == pytest.approx((164.02, 490.17), rel=1e-4)


def test_ratio_test_of_shape_one_on_the_handbook_example() -> None:
    # log likelihood of the exponential law with 7771 h / 10: -76.5557; 2 x 1.4211 with one degree
    assert handbook().p_memoryless == pytest.approx(0.0918, abs=1e-4)


def test_freireich_fit_agrees_with_two_other_programs() -> None:
    found = weibull(WEEKS, STILL)
    assert found is not None
    got = (found.shape.value, found.scale.value, found.log_likelihood, found.median.value)
    assert got == pytest.approx((1.35373, 33.7652, -41.6587, 25.76), rel=2e-4)


def test_dropping_the_censored_lives_is_another_answer() -> None:
    dropped, counted = weibull(FAILED), weibull([*FAILED, *STOPPED])
    assert dropped is not None
    assert counted is not None
    values = [round(fit.scale.value) for fit in (handbook(), dropped, counted)]
    assert len(set(values)) == 3


@pytest.mark.parametrize("seed", range(4))
def test_fit_is_that_of_scipy(seed: int) -> None:
    dice = np.random.default_rng(seed)
    ages = 800 * dice.weibull(0.6 + seed, 12)
    end = float(np.quantile(ages, 0.8))
    failed = ages[ages < end].tolist()
    censored = [end] * (len(ages) - len(failed))
    found = weibull(failed, censored)
    assert found is not None
    shape, _, scale = weibull_min.fit(CensoredData(uncensored=failed, right=censored), floc=0)
    assert (found.shape.value, found.scale.value) == pytest.approx((shape, scale), rel=2e-3)


def loss_at(failed: list[float], shape: float, scale: float) -> float:
    """Log likelihood by the textbook, for uncensored lives."""
    ages = np.array(failed)
    each = math.log(shape) - shape * math.log(scale) + (shape - 1) * np.log(ages)
    return float((each - (ages / scale) ** shape).sum())


def test_shape_interval_ends_where_twice_the_likelihood_has_lost_the_quantile() -> None:
    failed = [float(x) for x in FAILED]
    found = weibull(failed)
    assert found is not None
    best = found.log_likelihood
    lost = []
    for shape in (found.shape.low, found.shape.high):
        scale = float(np.mean(np.array(failed) ** shape) ** (1 / shape))
        lost.append(2 * (best - loss_at(failed, shape, scale)))
    assert lost == pytest.approx([3.8415, 3.8415], rel=1e-3)


def test_scale_interval_ends_where_twice_the_likelihood_has_lost_the_quantile() -> None:
    failed = [float(x) for x in FAILED]
    found = weibull(failed)
    assert found is not None
    lost = []
    for scale in (found.scale.low, found.scale.high):
        shapes = np.geomspace(found.shape.value / 20, found.shape.value * 20, 20_000)
        lost.append(2 * (found.log_likelihood - max(loss_at(failed, k, scale) for k in shapes)))
    assert lost == pytest.approx([3.8415, 3.8415], rel=1e-2)


@pytest.mark.parametrize("seed", [1, 2])
def test_intervals_hold_the_truth_about_as_often_as_they_say(seed: int) -> None:
    dice = np.random.default_rng(seed)
    held = 0
    for _ in range(200):
        found = weibull_shape((100 * dice.weibull(1.5, 12)).tolist())
        assert found is not None
        held += found.interval.low <= 1.5 <= found.interval.high
    assert 0.87 <= held / 200 <= 0.99  # 95 % by large samples; 12 lives are few


def test_unit_of_the_ages_changes_nothing_but_the_unit() -> None:
    hours, ns = handbook(), weibull([x * 3.6e12 for x in FAILED], [x * 3.6e12 for x in STOPPED])
    assert ns is not None
    assert ns.shape.value == pytest.approx(hours.shape.value)
    assert ns.b10.low / 3.6e12 == pytest.approx(hours.b10.low, rel=1e-4)


def test_lives_that_all_ended_alike_have_no_shape() -> None:
    assert weibull([100.0, 100.0, 100.0]) is None


def test_one_failure_has_no_shape() -> None:
    assert weibull([100.0], [50.0, 60.0]) is None


def test_nearly_equal_lives_have_a_great_but_finite_shape() -> None:
    found = weibull_shape([1.0e12, 1.001e12, 1.0005e12])
    assert found is not None
    assert 500 < found.interval.low < found.interval.high < 1e5


@pytest.mark.parametrize("age", [0.0, -1.0, math.inf, math.nan])
def test_an_age_that_cannot_be_is_refused(age: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        weibull([age, 1.0])


def test_an_interval_is_around_its_value() -> None:
    found = handbook()
    parts: list[Interval] = [found.shape, found.scale, found.mean, found.median, found.b10]
    assert all(each.low < each.value < each.high for each in parts)
