"""The backward search finds what a walk over all rows would, and no more than is bounded."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.timeline.sheet import before
from console.timeline.sheet.before import WANTED, Mask, Rows, good_before

SAME, GOOD = pl.col("same"), pl.col("good")


def walked(same: list[bool], good: list[bool], row: int) -> tuple[list[int], list[int]]:
    """The same search, one row after another."""
    rows, steps, passed = [], [], 0
    for at in range(row - 1, -1, -1):
        passed += same[at]
        if same[at] and good[at]:
            rows.append(at)
            steps.append(passed)
            passed = 0
        if len(rows) == WANTED:
            break
    return rows, steps


@given(
    st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=60),
    st.integers(0, 30),
    st.data(),
)
def test_the_search_finds_what_a_walk_finds(
    kinds: list[tuple[bool, bool]], repeats: int, data: st.DataObject
) -> None:
    every = kinds + [(False, True)] * (repeats * 40) + kinds
    row = data.draw(st.integers(0, len(every) - 1))
    same, good = [a for a, _ in every], [b for _, b in every]
    past = good_before(pl.DataFrame({"same": same, "good": good}), row, SAME, GOOD)
    assert (list(past.rows), list(past.steps)) == walked(same, good, row)
    assert past.is_whole


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=60), st.data())
def test_a_costly_condition_finds_the_same(
    kinds: list[tuple[bool, bool]], data: st.DataObject
) -> None:
    row = data.draw(st.integers(0, len(kinds) - 1))
    same = np.array([a for a, _ in kinds])
    table = pl.DataFrame({"same": [True] * len(kinds), "good": [b for _, b in kinds]})

    def refine(rows: Rows) -> Mask:
        return same[rows]

    past = good_before(table, row, SAME, GOOD, refine)
    assert (list(past.rows), list(past.steps)) == walked(same.tolist(), [b for _, b in kinds], row)


def test_nulls_are_neither_of_the_kind_nor_good() -> None:
    table = pl.DataFrame({"same": [True, None, True], "good": [True, True, None]})
    assert good_before(table, 3, SAME, GOOD).rows == (0,)


def test_the_search_ends_at_its_limit_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(before, "MOST_SEARCHED", 1000)
    table = pl.DataFrame({"same": [True] * 5000, "good": [True] + [False] * 4999})
    past = good_before(table, 4999, SAME, GOOD)
    assert (past.rows, past.searched, past.is_whole) == ((), 1000, False)
    assert past.none_words("packet") == "no good packet in the 1,000 rows before it"


def test_a_costly_condition_is_asked_of_few_rows_and_that_is_said() -> None:
    asked = []

    def refine(rows: Rows) -> Mask:
        asked.append(len(rows))
        return np.zeros(len(rows), np.bool_)

    table = pl.DataFrame({"same": [True] * 50_000, "good": [True] * 50_000})
    past = good_before(table, 50_000, SAME, GOOD, refine)
    assert (past.searched, sum(asked)) == (before.MOST_REFINED, before.MOST_REFINED)
    assert not past.is_whole


def test_a_table_without_an_earlier_one_says_that_there_is_none() -> None:
    table = pl.DataFrame({"same": [False, True], "good": [True, True]})
    past = good_before(table, 1, SAME, GOOD)
    assert past.none_words("packet") == "no good packet before it to compare with"
