"""A line in columns of time: what it did in each, and where it was not observed."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.edges import Edges
from decoders.captures.level_strip import STRIP, level_strip, levels_between

DRAWN = "_-\\/|?"  # low, high, falls, rises, both, not observed


def edges(rows: list[tuple[int, int]], until_ns: int) -> Edges:
    t_ns, levels = np.array(rows, np.int64).reshape(-1, 2).T
    return Edges(t_ns.copy(), levels.astype(np.uint8), True, until_ns)


def drawn(strip: np.typing.NDArray[np.uint8]) -> str:
    return "".join(DRAWN[code] for code in strip)


def test_each_column_says_what_the_line_did_in_it() -> None:
    capture = edges([(0, 1), (25, 0), (47, 1), (52, 0), (58, 1), (80, 0), (88, 1), (89, 0)], 200)
    assert drawn(level_strip(capture, 0, 0, 99, 10)) == r"--\_/|--|_"


def test_other_lines_do_not_matter() -> None:
    capture = edges([(0, 0b10), (10, 0b11), (20, 0b01), (30, 0b00)], 40)
    assert drawn(level_strip(capture, 0, 0, 39, 4)) == r"_/-" + "\\"
    assert drawn(level_strip(capture, 1, 0, 39, 4)) == r"--\_"


def test_what_was_not_observed_is_neither_low_nor_high() -> None:
    capture = edges([(30, 1), (50, 0)], 59)
    assert drawn(level_strip(capture, 0, 0, 99, 10)) == r"???--\????"
    assert drawn(level_strip(edges([], 0), 0, 0, 99, 4)) == "????"


def test_the_last_moment_belongs_to_the_last_column() -> None:
    capture = edges([(0, 0), (100, 1)], 100)
    assert drawn(level_strip(capture, 0, 0, 100, 5)) == "____/"
    assert drawn(level_strip(capture, 0, 0, 99, 5)) == "_____"


def test_more_columns_than_nanoseconds_show_every_level() -> None:
    capture = edges([(0, 0), (2, 1)], 9)
    strip = drawn(level_strip(capture, 0, 0, 3, 16))
    assert strip == "___________/----"


def test_years_in_many_columns_do_not_overflow() -> None:
    year_ns = 366 * 86_400 * 10**9
    capture = edges([(0, 1), (200 * year_ns, 0)], 291 * year_ns)
    assert drawn(level_strip(capture, 0, 0, 291 * year_ns, 400)).count("\\") == 1


@pytest.mark.parametrize(("begin_ns", "end_ns", "columns"), [(5, 4, 10), (0, 4, -1)])
def test_impossible_strips_are_refused(begin_ns: int, end_ns: int, columns: int) -> None:
    with pytest.raises(ValueError, match=f"no strip of {columns} columns"):
        level_strip(edges([(0, 1)], 9), 0, begin_ns, end_ns, columns)


@settings(max_examples=200, deadline=None)
@given(
    steps=st.lists(st.tuples(st.integers(0, 9), st.integers(0, 3)), min_size=1, max_size=20),
    more=st.integers(0, 9),
    bounds=st.lists(st.integers(-10, 120), min_size=1, max_size=12).map(sorted),
)
def test_strips_are_those_of_a_look_at_every_edge(
    steps: list[tuple[int, int]], more: int, bounds: list[int]
) -> None:
    times = np.cumsum([step for step, _ in steps]).tolist()
    rows = list(zip(times, [level for _, level in steps], strict=True))
    until = times[-1] + more
    got = levels_between(edges(rows, until), 0, np.array(bounds, np.int64))
    assert [STRIP[code] for code in got] == [
        looked_at(rows, until, a, b) for a, b in pairwise(bounds)
    ]


def looked_at(rows: list[tuple[int, int]], until: int, begin: int, end: int) -> str:
    if begin > until or (end <= rows[0][0] and begin < rows[0][0]):
        return "not observed"
    level = rows[0][1] & 1
    changes: list[tuple[int, int]] = []
    for t, word in rows[1:]:
        if word & 1 != (changes[-1][1] if changes else level):
            changes.append((t, word & 1))
    inside = [high for t, high in changes if begin <= t < end]
    before = [high for t, high in changes if t < begin]
    if not inside:
        return ("low", "high")[before[-1] if before else level]
    return "both" if len(inside) > 1 else ("falls", "rises")[inside[0]]
