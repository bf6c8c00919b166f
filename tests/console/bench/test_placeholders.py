"""`${name}`: what was captured is data, wherever it is put."""

from __future__ import annotations

import json

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.bench.conditions import condition
from console.bench.placeholders import (
    UnsetError,
    Value,
    bound,
    filled,
    filled_within,
    names_in,
    names_within,
)

# What tries to end a text, begin a comment, or be more than one value.
HOSTILE = st.one_of(
    st.text(max_size=20),
    st.sampled_from(
        ["'", "''", "' OR 1=1 --", "\\'", "*/", "\n--", "${n}", "$${", '"', "\x00", "%", "'||'"]
    ),
)


def rows(text: str) -> pl.DataFrame:
    return pl.DataFrame({"text": [text, text + "x", ""], "fields": [json.dumps({"a": text})] * 3})


@given(value=HOSTILE)
def test_captured_text_is_equal_to_itself_alone_in_a_condition(value: str) -> None:
    made = condition(bound("text = ${v}", {"v": value}), "prints")
    assert made.holds(rows(value)).to_list() == [True, False, value == ""]


@given(value=HOSTILE)
def test_captured_text_within_quotes_stays_within_them(value: str) -> None:
    made = condition(bound("text = 'gate ${v} reached'", {"v": value}), "prints")
    assert made.holds(rows(f"gate {value} reached")).to_list() == [True, False, False]


@given(value=st.integers(-(2**62), 2**62))
def test_captured_numbers_are_compared_as_numbers(value: int) -> None:
    made = condition(bound("t_ns = ${v}", {"v": value}), "prints")
    assert made.holds(pl.DataFrame({"t_ns": [value, value + 1]})).to_list() == [True, False]


def test_a_negative_number_after_a_minus_begins_no_comment() -> None:
    made = condition(bound("t_ns = 1 -${v}", {"v": -5}), "prints")
    assert made.holds(pl.DataFrame({"t_ns": [6, 1]})).to_list() == [True, False]


@pytest.mark.parametrize(
    "text",
    [
        "text LIKE ${v}",
        "text LIKE '%${v}%'",
        "text ~ ${v}",
        "text NOT LIKE '${v}'",
        "REGEXP_LIKE(text, ${v})",
        "text = 'a' -- ${v}",
        "text = 'a' /* ${v} */",
        '"${v}" = 1',
        "text = E'${v}'",
        "text = x'${v}'",
        "text = U&'${v}'",
        "text = e${v}",
        "text = ${v}x",
        "text = ${v}'x'",
        "text = 'a ${v}",
        "text = $$ ${v} $$",
        "text = $q$ ${v} $q$",
        "`${v}` = 1",
    ],
)
def test_a_placeholder_is_refused_where_a_literal_is_not_safe(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        bound(text, {"v": "x"})


def test_conditions_without_placeholders_stay_as_they_are() -> None:
    assert bound("text LIKE 'a%' -- why", {}) == "text LIKE 'a%' -- why"


def test_a_pattern_beside_a_placeholder_is_allowed() -> None:
    assert bound("text LIKE 'a%' AND source = ${v}", {"v": "b"}).endswith("source = 'b'")


@given(value=HOSTILE)
def test_captured_text_in_a_table_is_one_value_of_the_json(value: str) -> None:
    made = filled_within({"a": "${v}", "b": ["x ${v}", 1]}, {"v": value})
    assert json.loads(json.dumps(made)) == {"a": value, "b": [f"x {value}", 1]}


@pytest.mark.parametrize("value", [3, 2.5, "3"])
def test_a_text_that_is_one_placeholder_keeps_the_kind_of_its_value(value: Value) -> None:
    assert filled_within({"n": "${v}"}, {"v": value}) == {"n": value}


def test_what_is_put_in_is_not_looked_at_again() -> None:
    assert filled("${a}${b}", {"a": "${b}", "b": "$${a}"}) == "${b}$${a}"


def test_two_dollars_stand_for_the_text_itself() -> None:
    assert filled("$${a} $5 ${a}", {"a": 1}) == "${a} $5 1"


@pytest.mark.parametrize("text", ["${", "${a", "${}", "${a b}", "${1}", "${a.b}", "x ${é}"])
def test_what_is_no_placeholder_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is no placeholder"):
        names_in(text)


def test_names_are_found_however_deep() -> None:
    assert names_within({"a": ["${x}", {"b": "${y} ${x}"}], "${z}": 1}) == ["x", "y", "x"]


def test_a_name_without_a_value_is_told() -> None:
    with pytest.raises(UnsetError) as told:
        filled("${gate}", {})
    assert told.value.name == "gate"
