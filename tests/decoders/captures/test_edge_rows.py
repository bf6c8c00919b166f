from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.edge_rows import EdgeRows, levels_dtype
from decoders.captures.edges import Edges

Row = tuple[int, int]


def told(blocks: list[Edges]) -> list[tuple[list[Row], bool, int]]:
    return [
        (
            list(zip(block.t_ns.tolist(), block.levels.tolist(), strict=True)),
            block.begins,
            block.until_ns,
        )
        for block in blocks
    ]


@pytest.mark.parametrize(
    ("channels", "kind"),
    [(1, "uint8"), (8, "uint8"), (9, "uint16"), (17, "uint32"), (33, "uint64"), (64, "uint64")],
)
def test_a_level_word_has_the_narrowest_type(channels: int, kind: str) -> None:
    assert np.dtype(levels_dtype(channels)).name == kind


def test_rows_that_change_nothing_are_dropped_and_their_time_counts() -> None:
    rows = EdgeRows(2)
    for t_ns, level in [(0, 3), (5, 3), (7, 1), (9, 1)]:
        rows.add(t_ns, level)
    assert told(rows.rest()) == [([(0, 3), (7, 1)], True, 9)]
    assert (rows.rows, rows.level, rows.last_ns) == (4, 1, 9)


def test_a_block_goes_on_from_the_one_before() -> None:
    rows = EdgeRows(2)
    rows.add(0, 3)
    first = rows.rest()
    rows.add(4, 3)
    rows.add(6, 0)
    assert told([*first, *rows.rest()]) == [([(0, 3)], True, 0), ([(6, 0)], False, 6)]
    assert rows.rest() == []


def test_where_samples_are_missing_a_stretch_begins_anew() -> None:
    rows = EdgeRows(1, row_period_ns=10.0)
    for t_ns in [0, 10, 20, 30, 5_000_000, 5_000_010]:
        rows.add(t_ns, 1)
    assert told(rows.rest()) == [([(0, 1)], True, 30), ([(5_000_000, 1)], True, 5_000_010)]


@settings(deadline=None)
@given(
    steps=st.lists(st.tuples(st.integers(0, 5), st.integers(0, 3)), min_size=1, max_size=30),
    cuts=st.lists(st.integers(0, 30), max_size=4),
    skip=st.integers(0, 2),
)
def test_batches_give_what_single_rows_give(
    steps: list[tuple[int, int]], cuts: list[int], skip: int
) -> None:
    t_ns = np.cumsum([step for step, _ in steps])
    levels = np.array([level for _, level in steps], np.uint8)
    one_by_one, batches = EdgeRows(2), EdgeRows(2)
    for t, level in zip(t_ns.tolist(), levels.tolist(), strict=True):
        one_by_one.add(t, level)
    edges = sorted({0, len(steps), *(min(cut, len(steps)) for cut in cuts)})
    for a, b in pairwise(edges):
        room_t, room_levels = batches.room(b - a + skip)
        room_t[skip:], room_levels[skip:] = t_ns[a:b], levels[a:b]
        batches.keep(b - a, skip)
    assert told(batches.rest()) == told(one_by_one.rest())


def test_rows_whose_changes_are_known_need_no_other_times() -> None:
    rows = EdgeRows(1)
    _, levels = rows.room(5)
    levels[:] = [1, 1, 0, 0, 1]
    rows.keep_some(5, np.array([0, 2, 4]), np.array([10, 12, 14]), 14)
    assert told(rows.rest()) == [([(10, 1), (12, 0), (14, 1)], True, 14)]


def test_a_block_is_given_once_there_is_enough_of_it() -> None:
    rows = EdgeRows(1)
    t_ns, levels = rows.room(1 << 15)
    t_ns[:] = np.arange(1 << 15)
    levels[:] = np.arange(1 << 15) % 2
    rows.keep((1 << 15) - 1)
    assert rows.ready() == []
    rows.add(1 << 15, 1)
    assert [len(block.t_ns) for block in rows.ready()] == [1 << 15]
