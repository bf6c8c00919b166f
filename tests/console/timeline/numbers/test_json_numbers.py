from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.timeline.numbers.json_numbers import each_row, json_numbers

NAMES = st.sampled_from(["x", "y", "level", "a b", "n"])
TEXTS = st.text(st.sampled_from('x"{}[]\\:,0é\n'), max_size=6)
SCALARS = st.one_of(st.integers(-1000, 1000), st.floats(-1e9, 1e9), st.booleans(), st.none(), TEXTS)
OBJECTS = st.dictionaries(
    NAMES,
    st.one_of(
        SCALARS,
        st.lists(SCALARS, max_size=3),
        st.dictionaries(NAMES, SCALARS, max_size=3),
        st.lists(st.dictionaries(NAMES, SCALARS, max_size=2), max_size=3),
    ),
    max_size=4,
)


def compact(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False)


def plainly(value: Any, steps: tuple[str | int, ...]) -> float:
    for step in steps:
        if isinstance(step, int) and isinstance(value, list) and step < len(value):
            value = value[step]
        elif isinstance(step, str) and isinstance(value, dict):
            value = value.get(step)
        else:
            return math.nan
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number else math.nan


@given(st.lists(OBJECTS, max_size=5), st.sampled_from([("x",), ("level",), ("a b",)]))
def test_members_are_found_as_a_json_parser_finds_them(
    objects: list[Any], steps: tuple[str | int, ...]
) -> None:
    texts = pl.Series("fields", [compact(each) for each in objects], dtype=pl.String)
    expected = [plainly(each, steps) for each in objects]
    np.testing.assert_allclose(json_numbers(texts, steps), expected, rtol=1e-15)


@given(st.lists(st.dictionaries(NAMES, SCALARS, max_size=4), max_size=5))
def test_members_of_flat_objects_are_found_as_a_json_parser_finds_them(objects: list[Any]) -> None:
    texts = pl.Series("fields", [compact(each) for each in objects], dtype=pl.String)
    expected = [plainly(each, ("x",)) for each in objects]
    np.testing.assert_allclose(json_numbers(texts, ("x",)), expected, rtol=1e-15)


@pytest.mark.parametrize(
    ("steps", "nth", "expected"),
    [
        (("blocks", 0, "x"), 0, [3.0, math.nan, 9.5]),
        (("blocks", 1, "x"), 1, [4.0, math.nan, math.nan]),
        (("blocks", 1, "x"), None, [4.0, math.nan, math.nan]),
        (("sum",), 0, [7.0, -1.0, math.nan]),
        (("list", 1), None, [math.nan, 6.0, math.nan]),
    ],
)
def test_items_of_a_repeat_are_found_with_and_without_the_help_of_a_description(
    steps: tuple[str | int, ...], nth: int | None, expected: list[float]
) -> None:
    rows = [
        {"blocks": [{"c": "x", "x": 3}, {"c": '"x":', "x": 4}], "sum": 7},
        {"blocks": [], "sum": -1, "list": [5, 6]},
        {"blocks": [{"x": 9.5}]},
    ]
    texts = pl.Series("fields", [compact(row) for row in rows])
    np.testing.assert_array_equal(json_numbers(texts, steps, nth), expected)


def test_rows_without_text_have_no_number() -> None:
    texts = pl.Series("fields", [None, '{"x":1}', None], dtype=pl.String)
    np.testing.assert_array_equal(json_numbers(texts, ("x",)), [math.nan, 1.0, math.nan])


def test_rows_shared_out_to_threads_stay_in_order() -> None:
    numbers = pl.Series("n", np.arange(250_001))
    found = each_row(numbers.cast(pl.String), pl.col("text").cast(pl.Int64))
    assert found.equals(numbers, check_names=False)
