"""The edges of one line, however the capture is cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.captures.edges import Edges
from decoders.captures.line_edges import LineEdges


def block(rows: list[tuple[int, int]], *, begins: bool) -> Edges:
    t_ns = np.array([t for t, _ in rows], np.int64)
    return Edges(t_ns, np.array([v for _, v in rows], np.uint8), begins, int(t_ns[-1]))


ROWS = [(0, 0b00), (5, 0b10), (9, 0b11), (12, 0b01), (20, 0b11), (31, 0b10)]


@pytest.mark.parametrize(("rises", "expected"), [(True, [5, 20]), (False, [12])])
def test_edges_of_the_line_alone_are_kept(rises: bool, expected: list[int]) -> None:
    line = LineEdges(1, rises=rises)
    line.feed(block(ROWS, begins=True))
    assert line.times_ns().tolist() == expected


def test_the_first_level_after_a_gap_is_no_edge() -> None:
    line = LineEdges(0, rises=True)
    line.feed(block([(0, 0)], begins=True))
    line.feed(block([(10, 1), (12, 0), (15, 1)], begins=True))
    assert line.times_ns().tolist() == [15]


@given(
    levels=st.lists(st.integers(0, 3), min_size=1, max_size=40),
    cuts=st.lists(st.integers(0, 40), max_size=6),
)
def test_edges_do_not_depend_on_how_the_capture_is_cut(levels: list[int], cuts: list[int]) -> None:
    rows = [(7 * k, level) for k, level in enumerate(levels)]
    whole, pieces = LineEdges(1, rises=True), LineEdges(1, rises=True)
    whole.feed(block(rows, begins=True))
    ends = sorted({0, *(min(cut, len(rows)) for cut in cuts), len(rows)})
    for a, b in pairwise(ends):
        pieces.feed(block(rows[a:b], begins=a == 0))
    assert pieces.times_ns().tolist() == whole.times_ns().tolist()
