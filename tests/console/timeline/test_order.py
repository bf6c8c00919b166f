"""Before, after, or cannot say."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.timeline.order import AFTER, BEFORE, CANNOT_SAY, WORDS, is_order_known, order

TIMES = st.integers(-(2**61), 2**61)  # 73 years either way
BANDS = st.integers(0, 2**63 - 1)


@pytest.mark.parametrize(
    ("a", "a_band", "b", "b_band", "expected"),
    [
        (10, 2, 20, 3, BEFORE),
        (20, 3, 10, 2, AFTER),
        (10, 5, 20, 5, CANNOT_SAY),  # the bands touch
        (10, 5, 20, 4, BEFORE),
        (10, 0, 10, 0, CANNOT_SAY),
        (10, -1, 20, 0, CANNOT_SAY),  # no band: not aligned
        (10, 2**63 - 1, 20, 2**63 - 1, CANNOT_SAY),
    ],
)
def test_two_events_have_an_order_only_outside_their_bands(
    a: int, a_band: int, b: int, b_band: int, expected: int
) -> None:
    assert order(a, a_band, b, b_band).tolist() == expected


def test_columns_are_compared_row_by_row() -> None:
    a, b = np.array([1, 5, 9]), np.array([5, 5, 5])
    got = order(a, 1, b, np.array([1, 1, 3]))
    assert got.dtype == np.int8
    assert got.tolist() == [BEFORE, CANNOT_SAY, CANNOT_SAY]


def test_one_clock_orders_its_own_events_within_any_band() -> None:
    a, b = np.array([1, 2, 3]), np.array([2, 2, 2])
    assert order(a, 100, b, -1, same_clock=True).tolist() == [BEFORE, CANNOT_SAY, AFTER]
    mixed = order(a, 100, b, 100, same_clock=np.array([True, False, False]))
    assert mixed.tolist() == [BEFORE, CANNOT_SAY, CANNOT_SAY]


@given(TIMES, BANDS, TIMES, BANDS)
def test_swapping_the_events_swaps_the_answer(a: int, a_band: int, b: int, b_band: int) -> None:
    assert order(a, a_band, b, b_band) == -order(b, b_band, a, a_band)


def test_every_answer_has_a_word() -> None:
    assert [WORDS[k] for k in (BEFORE, CANNOT_SAY, AFTER)] == ["before", "cannot say", "after"]


@given(TIMES, BANDS, TIMES, BANDS)
def test_single_events_are_judged_as_columns_are(a: int, a_band: int, b: int, b_band: int) -> None:
    assert is_order_known(a, a_band, b, b_band) == bool(order(a, a_band, b, b_band) != CANNOT_SAY)
