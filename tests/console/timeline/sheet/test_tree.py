"""Payloads as trees: what is in them, what differs, and never more than fits a sheet."""

from __future__ import annotations

import time
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from console.timeline.sheet.lines import MOST_FIELDS, MOST_ITEMS, Change, Field, More
from console.timeline.sheet.tree import MOST_LEVELS, tree_lines

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=9),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(max_size=9), inner),
    max_leaves=40,
)


def shown(value: Any, *before: Any) -> list[tuple[int, str, str, Change]]:
    """The fields: level, name, value, change."""
    lines = tree_lines(value, before, [1] * len(before))
    return [(f.level, f.name, f.value, f.change) for f in lines if isinstance(f, Field)]


def test_members_stand_in_order_and_their_members_under_them() -> None:
    assert shown({"n": 1, "caps": [{"x": 2}], "up": True, "who": "1", "none": None, "e": {}}) == [
        (0, "n", "1", Change.NONE),
        (0, "caps", "1 item", Change.NONE),
        (1, "0", "1 member", Change.NONE),
        (2, "x", "2", Change.NONE),
        (0, "up", "true", Change.NONE),
        (0, "who", '"1"', Change.NONE),
        (0, "none", "null", Change.NONE),
        (0, "e", "{}", Change.NONE),
    ]


def test_each_member_is_compared_with_that_of_the_last_good_one() -> None:
    before = {"n": 1, "us": 7, "gate": "left", "old": 3, "caps": [1, 2]}
    now = {"n": 2, "us": 7, "gate": "right", "new": 4, "caps": [1]}
    assert [(name, change) for _, name, _, change in shown(now, before)] == [
        ("n", Change.STEPS),
        ("us", Change.SAME),
        ("gate", Change.DIFFERS),
        ("new", Change.NEW),
        ("caps", Change.DIFFERS),
        ("0", Change.SAME),
        ("old", Change.GONE),
    ]


def test_what_a_value_was_is_told_where_it_is_another() -> None:
    lines = tree_lines({"gate": "right"}, [{"gate": "left"}], [1])
    assert lines == [Field("gate", '"right"', change=Change.DIFFERS, was='"left"')]


def test_a_bare_value_is_one_line() -> None:
    assert shown(41.7) == [(0, "value", "41.7", Change.NONE)]


@settings(max_examples=40)
@given(VALUES, VALUES)
def test_a_tree_is_bounded_and_total(value: Any, before: Any) -> None:
    lines = tree_lines(value, [before], [1])
    assert len([line for line in lines if isinstance(line, Field)]) <= MOST_FIELDS
    assert all(line.level <= MOST_LEVELS + 1 for line in lines)
    assert tree_lines(value, [], []) is not None


@given(st.dictionaries(st.text(), st.integers(), max_size=200))
def test_every_member_is_shown_or_counted(value: dict[str, int]) -> None:
    lines = tree_lines(value)
    fields = [line for line in lines if isinstance(line, Field)]
    more = sum(line.count for line in lines if isinstance(line, More))
    assert len(fields) + more == max(len(value), 0)


def test_a_hundred_thousand_members_are_counted_in_no_time() -> None:
    value = {f"key {k}": k for k in range(100_000)}
    began = time.perf_counter()
    lines = tree_lines(value, [dict(value)], [1])
    assert time.perf_counter() - began < 1
    assert lines[-1] == More(100_000 - MOST_ITEMS, "members")


def test_what_lies_too_deep_is_counted() -> None:
    value: Any = 1
    for _ in range(500):
        value = [value]
    lines = tree_lines(value)
    assert len(lines) == MOST_LEVELS + 2
    assert lines[-1] == More(1, "members deeper", MOST_LEVELS + 1)


def test_a_long_text_is_cut_and_its_rest_counted() -> None:
    (line,) = tree_lines({"blob": "x" * 1_000_000})
    assert isinstance(line, Field)
    assert line.value.endswith('... 999,800 more characters"')
