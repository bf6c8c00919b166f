"""Ranks and what they are made of, against plain loops."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.diagnosis.before.statistics import (
    LEAST_GROUP,
    as_odd,
    isolation,
    largest_of,
    novelty,
    rise,
    seen_before,
)

CODES = st.lists(st.integers(0, 5), max_size=60)


@given(CODES)
def test_seen_before_counts_earlier_equals(codes: list[int]) -> None:
    wanted = [codes[:k].count(code) for k, code in enumerate(codes)]
    assert seen_before(np.array(codes, np.int64)).tolist() == wanted


@given(CODES)
def test_novelty_counts_all_times_of_early_values_and_those_so_far_of_late_ones(
    codes: list[int],
) -> None:
    early = set(codes[: len(codes) // 3])
    wanted = [
        1 / (codes.count(code) if code in early else codes[: k + 1].count(code))
        for k, code in enumerate(codes)
    ]
    assert novelty(np.array(codes, np.int64)).tolist() == wanted


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(-1, 4)), max_size=40))
def test_largest_of_finds_the_first_largest_of_each_unit(rows: list[tuple[int, int]]) -> None:
    scores = np.array([float(s) for s, _ in rows])
    unit = np.array([u for _, u in rows], np.int64)
    largest, at = largest_of(scores, unit, 5)
    for u in range(5):
        own = [(s, -k) for k, (s, v) in enumerate(rows) if v == u]
        assert (largest[u], at[u]) == ((max(own)[0], -max(own)[1]) if own else (0.0, -1))


@given(st.lists(st.integers(0, 9)), st.lists(st.integers(0, 9)))
def test_as_odd_counts_what_is_at_least_as_large(scores: list[int], among: list[int]) -> None:
    got = as_odd(np.array(scores, np.float64), np.array(among, np.float64))
    assert got.tolist() == [sum(other >= one for other in among) for one in scores]


@pytest.mark.parametrize("odd", [150.0, 400.0, 2500.0])  # below, in a hole, far above
def test_value_in_a_hole_or_far_out_is_the_most_isolated(odd: float) -> None:
    rng = np.random.default_rng(1)
    crowds = np.concatenate([rng.normal(200, 4, 600), rng.normal(1000, 20, 400)])
    rng.shuffle(crowds)
    scores = isolation(np.log(np.append(crowds, odd)), np.zeros(1001, np.int64))
    assert scores.argmax() == 1000


def test_values_of_small_groups_are_never_isolated() -> None:
    values = np.append(np.ones(LEAST_GROUP - 2), 1e9)
    assert not isolation(values, np.zeros(len(values), np.int64)).any()


def test_drift_makes_no_value_isolated_at_its_end() -> None:
    rng = np.random.default_rng(2)
    ranks = []
    for _ in range(200):
        values = np.linspace(0, 4, 1200) + rng.normal(0, 1, 1200)
        scores = isolation(values, np.zeros(1200, np.int64))
        ranks.append(int(as_odd(scores[-1:], scores[120:])[0]))
    # Of 200 ends 1 in 40 is expected among the 27 oddest of 1080; three times that is drift.
    assert sum(rank <= 27 for rank in ranks) <= 15


def test_lengths_that_rise_throughout_are_a_rise_and_scattered_ones_are_none() -> None:
    values = np.append(np.tile([3.0, 1.0, 2.0], 30), np.arange(4.0, 12.0))
    found = rise(values, np.zeros(len(values), np.int64))
    assert found[-1] == 7.0
    assert not found[:90].any()
