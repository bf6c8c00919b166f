"""Kaplan and Meier's estimate against a published table and another library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import CensoredData, ecdf

from console.diagnosis.lifetimes.survival import kaplan_meier

# Freireich et al. 1963, Blood 21, 699-716, the 6-MP arm: remissions in weeks.
FAILED = [6.0, 6, 6, 7, 10, 13, 16, 22, 23]
CENSORED = [6.0, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
# t, at risk, events, S, standard error, 95 % by the log-log transform
PUBLISHED = [
    (6, 21, 3, 0.8571, 0.0764, 0.620, 0.952),
    (7, 17, 1, 0.8067, 0.0869, 0.563, 0.923),
    (10, 15, 1, 0.7529, 0.0963, 0.503, 0.889),
    (13, 12, 1, 0.6902, 0.1068, 0.432, 0.849),
    (16, 11, 1, 0.6275, 0.1141, 0.368, 0.805),
    (22, 7, 1, 0.5378, 0.1282, 0.268, 0.747),
    (23, 6, 1, 0.4482, 0.1346, 0.188, 0.680),
]


def test_remissions_come_out_as_published() -> None:
    found = kaplan_meier(FAILED, CENSORED)
    columns = (
        found.age, found.at_risk, found.failed, found.share, found.error, found.low, found.high
    )  # fmt: skip
    rows = np.stack([np.asarray(column, np.float64) for column in columns], axis=1)
    assert rows == pytest.approx(np.array(PUBLISHED, np.float64), abs=6e-4)


def test_median_of_the_remissions() -> None:
    found = kaplan_meier(FAILED, CENSORED)
    assert (found.median, found.median_range) == (23.0, (13.0, None))


@pytest.mark.parametrize("seed", range(5))
def test_estimate_is_that_of_scipy(seed: int) -> None:
    dice = np.random.default_rng(seed)
    failed = dice.integers(1, 20, 15).astype(float).tolist()
    censored = dice.integers(1, 20, 6).astype(float).tolist()
    found = kaplan_meier(failed, censored)
    other = ecdf(CensoredData(uncensored=failed, right=censored)).sf
    assert found.share == pytest.approx(other.evaluate(found.age))


def test_where_nobody_is_left_there_is_no_interval() -> None:
    found = kaplan_meier([1.0, 2.0])
    assert found.share.tolist() == [0.5, 0.0]
    assert np.isnan([found.error[1], found.low[1], found.high[1]]).all()


def test_without_a_failure_nothing_is_estimated() -> None:
    found = kaplan_meier([], [5.0, 6.0])
    assert (len(found.age), found.median, found.median_range) == (0, None, (None, None))


def test_median_is_open_while_most_still_live() -> None:
    assert kaplan_meier([5.0], [6.0, 7.0, 8.0]).median is None
