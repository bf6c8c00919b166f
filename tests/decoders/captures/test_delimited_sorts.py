from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.delimited_sorts import Sorts


def sorts_of(levels: list[int], carried: list[int]) -> Sorts:
    words = np.array(levels, np.uint8)
    words[:] &= ~np.array(carried, np.uint8)
    found = Sorts.of(np.zeros(len(levels), np.int64), words)
    found.carried[:] = carried
    return found


def test_lines_begin_unread_and_their_room_is_that_of_the_edge_rows() -> None:
    t, levels = np.zeros(3, np.int64), np.zeros(3, np.uint16)
    found = Sorts.of(t, levels)
    marks = found.done, found.finer, found.empty
    assert [mark.tolist() for mark in marks] == [[0, 0, 0]] * 3
    assert np.shares_memory(found.t, t)
    assert np.shares_memory(found.levels, levels)
    assert found.carried.dtype == levels.dtype


@settings(deadline=None)
@given(
    rows=st.lists(st.tuples(st.integers(0, 255), st.integers(0, 255)), min_size=1, max_size=20),
    before=st.integers(0, 255),
)
def test_bits_of_empty_cells_are_those_of_the_row_before(
    rows: list[tuple[int, int]], before: int
) -> None:
    found = sorts_of([word for word, _ in rows], [carried for _, carried in rows])
    expected, last = [], before
    for word, carried in rows:
        last = (word & ~carried) | (last & carried)
        expected.append(last)
    found.carry(0, len(rows), before)
    assert found.levels.tolist() == expected


@pytest.mark.parametrize(("row", "stop"), [(1, 3), (0, 2)])
def test_only_the_rows_asked_for_are_filled(row: int, stop: int) -> None:
    found = sorts_of([0, 0, 0, 0], [1, 1, 1, 1])
    found.carry(row, stop, 1)
    assert found.levels.tolist() == [int(row <= k < stop) for k in range(4)]
