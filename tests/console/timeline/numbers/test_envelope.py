from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from console.timeline.numbers.envelope import Envelope

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


def edges(*times: int) -> Int64s:
    return np.array(times, np.int64)


@example(waits=[0, 0, 0, 18, 40], seed=15, cuts=[0, 58])  # a join rounds beyond its end
@given(
    waits=st.lists(st.integers(0, 40), min_size=1, max_size=400),
    seed=st.integers(0, 100),
    cuts=st.lists(st.integers(-50, 5_000), min_size=2, max_size=30, unique=True),
)
def test_every_value_lies_within_its_column(waits: list[int], seed: int, cuts: list[int]) -> None:
    t_ns = np.cumsum(np.array(waits, np.int64))
    values = np.random.default_rng(seed).normal(0, 1, len(t_ns))
    borders = edges(*sorted(cuts))
    low, high = Envelope(t_ns, values).over(borders)
    for k in range(len(borders) - 1):
        inside = values[(t_ns >= borders[k]) & (t_ns < borders[k + 1])]
        assert not len(inside) or (low[k] <= inside.min() and high[k] >= inside.max())
        assert np.isnan(low[k]) or (low[k] >= values.min() and high[k] <= values.max())


@pytest.mark.parametrize("columns", [1, 3, 180, 5_000])
def test_one_value_among_millions_is_seen_at_any_zoom(columns: int) -> None:
    n = 2_000_000
    values = np.zeros(n)
    values[1_234_567] = 9.0
    low, high = Envelope(np.arange(n, dtype=np.int64), values).over(
        np.linspace(0, n, columns + 1).astype(np.int64)
    )
    at = 1_234_567 * columns // n
    assert high[at] == 9.0
    assert np.flatnonzero(high == 9.0).tolist() == [at]
    assert (low == 0).all()


def test_values_are_joined_across_columns_without_any() -> None:
    low, high = Envelope(edges(0, 100), np.array([0.0, 10.0])).over(edges(0, 25, 50, 75, 100))
    assert low.tolist() == [0.0, 2.5, 5.0, 7.5]
    assert high.tolist() == [2.5, 5.0, 7.5, 10.0]


def test_a_wait_many_times_the_usual_one_is_not_joined() -> None:
    t_ns = np.concatenate([np.arange(0, 100, 10), np.arange(500, 600, 10)]).astype(np.int64)
    envelope = Envelope(t_ns, np.ones(20))
    low, _ = envelope.over(edges(0, 95, 200, 300, 495, 600))
    assert np.isnan(low).tolist() == [False, True, True, True, False]


def test_a_set_point_holds_until_the_next_however_late() -> None:
    t_ns = edges(*range(10), 1_000)
    values = np.array([5.0] * 10 + [7.0])
    low, high = Envelope(t_ns, values, holds=True).over(edges(400, 500, 990, 1_001, 1_100))
    assert (low[0], high[0], low[1], high[1]) == (5.0, 5.0, 5.0, 5.0)
    assert (low[2], high[2]) == (5.0, 7.0)
    assert np.isnan(low[3])


def test_before_the_first_value_and_after_the_last_there_is_nothing() -> None:
    low, high = Envelope(edges(10, 20), np.array([1.0, 2.0])).over(edges(0, 10, 21, 30))
    assert np.isnan(low).tolist() == [True, False, True]
    assert (low[1], high[1]) == (1.0, 2.0)


@pytest.mark.parametrize("count", [0, 1])
def test_few_values_are_no_trouble(count: int) -> None:
    low, high = Envelope(np.arange(count, dtype=np.int64), np.ones(count)).over(edges(0, 1, 2))
    expected: Floats = np.array([1.0 if count else np.nan, np.nan])
    np.testing.assert_array_equal(low, expected)
    np.testing.assert_array_equal(high, expected)
