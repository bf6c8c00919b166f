"""Lives of one device among those of many."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from console.diagnosis.lifetimes.comparison import comparison
from console.diagnosis.lifetimes.lives import Life
from tests.console.diagnosis.lifetimes.worlds import S, after_polls


def lives() -> list[Life]:
    """Three of the camera, and two of a hopper of which one failed."""
    made = np.random.default_rng(1)
    camera = after_polls(made, 2047, (1, 1, 2))
    hopper = [replace(each, device="hopper") for each in after_polls(made, 400, (1, 1))]
    return [hopper[0], *camera, replace(hopper[1], ended="censored")]


def test_the_device_that_failed_most_often_is_compared() -> None:
    found = comparison(lives())
    assert found is not None
    assert (found.device, len(found.lives), found.also_failed) == ("camera", 3, [("hopper", 1)])


def test_the_device_that_was_asked_for_is_compared() -> None:
    found = comparison(lives(), "hopper")
    assert found is not None
    assert ([each.ended for each in found.lives], found.also_failed) == (
        ["failed", "censored"], [("camera", 3)],
    )  # fmt: skip


def test_laws_are_over_the_same_lives() -> None:
    found = comparison(lives())
    assert found is not None
    assert found.weibull is not None
    assert found.weibull.failures == found.verdict.failures == int(found.survival.failed.sum())


def test_no_law_is_fitted_to_two_failures() -> None:
    found = comparison(after_polls(np.random.default_rng(1), 2047, (1, 2)))
    assert found is not None
    assert found.weibull is None


def test_a_device_that_is_not_there_is_not_compared() -> None:
    assert (comparison(lives(), "diverter"), comparison([])) == (None, None)


def test_times_of_the_laws_are_in_ns() -> None:
    found = comparison(lives())
    assert found is not None
    assert found.survival.median == pytest.approx(2047 * S, rel=0.01)
