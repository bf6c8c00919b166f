"""Robust spread of many values, in fixed memory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.buses.pulses_spread import SizeCounts, deviation_of_second, second_differences


@given(values=st.lists(st.integers(0, 10**12), min_size=1, max_size=60))
def test_the_median_is_known_to_half_a_percent(values: list[int]) -> None:
    counts = SizeCounts()
    counts.add(np.array(values))
    middle = sorted(values)[(len(values) - 1) // 2]
    assert counts.median() == pytest.approx(middle, rel=5e-3, abs=1e-9)


@given(values=st.lists(st.integers(0, 10**9)), cut=st.integers(0, 50))
def test_counts_do_not_depend_on_how_values_come(values: list[int], cut: int) -> None:
    whole, parts = SizeCounts(), SizeCounts()
    whole.add(np.array(values, np.int64))
    for part in (values[cut:], values[:cut]):
        parts.add(np.array(part, np.int64))
    assert (whole.counts == parts.counts).all()


def test_nothing_has_no_median() -> None:
    assert SizeCounts().median() == 0


@pytest.mark.parametrize("slope", [0, 7_000])
def test_the_deviation_of_noise_is_found_on_a_moving_value(slope: int) -> None:
    noise = np.random.default_rng(5).normal(0, 3_000, 20_000)
    widths = np.rint(1_500_000 + slope * np.arange(20_000) + noise).astype(np.int64)
    counts = SizeCounts()
    counts.add(second_differences(widths))
    assert deviation_of_second(counts) == pytest.approx(3_000, rel=0.03)


def test_a_steady_ramp_has_no_spread() -> None:
    counts = SizeCounts()
    counts.add(second_differences(np.arange(0, 10**6, 500)))
    assert deviation_of_second(counts) == 0
    assert len(second_differences(np.array([1, 2]))) == 0
