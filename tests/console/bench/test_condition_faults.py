"""Where a refused condition is said to be wrong."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.bench.condition_faults import column_of, fault_in, first_column


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ("qos = = ,", 9, "not ,"),
        ("qos > AND retain", 7, "after >, not AND"),
        ("qos topic", 5, "an operator is wanted before topic"),
        ("qos = 3 4", 9, "an operator is wanted before 4"),
        ("= 3", 1, "a column or a value is wanted, not ="),
        ("(qos = )", 8, "a value is wanted after ="),
        ("qos = 1)", 8, ") was never opened"),
        ("qos NOT 3", 5, "an operator is wanted before NOT"),
        ("qos IN (1, 2) 3", 15, "an operator is wanted before 3"),
        ("3 (qos)", 3, "an operator is wanted before ("),
    ],
)
def test_the_first_token_out_of_place_is_told(text: str, column: int, words: str) -> None:
    fault = fault_in(text)
    assert fault is not None
    assert (fault.column, fault.unfinished) == (column, False)
    assert words in fault.message


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ("qos >", 6, "wanted after >"),
        ("qos > 3 AND ", 12, "wanted after AND"),
        ("(qos = 1", 9, ") is missing"),
        ("topic = 'a", 9, "this quote has no end"),
        ("qos IN (", 9, "wanted after ("),
        ("NOT", 4, "wanted after NOT"),
    ],
)
def test_what_is_still_being_written_is_unfinished(text: str, column: int, words: str) -> None:
    fault = fault_in(text)
    assert fault is not None
    assert (fault.column, fault.unfinished) == (column, True)
    assert words in fault.message


@pytest.mark.parametrize(
    "text",
    [
        "qos = 1 AND NOT retain",
        "qos NOT IN (1, -2) OR topic NOT LIKE 'a%'",
        "qos BETWEEN 1 AND 3",
        "topic IS NOT NULL",
        "upper(topic) = 'A' AND (qos + 1) * 2 > 3",
        "now() > 3",
        "fields.level_cm > 0x2E",
        "CASE WHEN qos = 1 THEN",
    ],
)
def test_no_fault_is_made_up(text: str) -> None:
    assert fault_in(text) is None


@given(st.text(alphabet="a 'b\"()=<>,.1\n\x00\u202e", max_size=30))
def test_a_fault_lies_in_the_text_or_right_behind_it(text: str) -> None:
    fault = fault_in(text)
    assert fault is None or 1 <= fault.column <= len(text) + 1


def test_a_column_is_found_where_it_is_named_and_not_in_a_text() -> None:
    assert column_of("qos = 'topic' AND topic = 'x'", "topic") == 19
    assert column_of('"topic" = 1', "topic") == 1
    assert column_of("qos = 1", "topic") is None
    assert first_column("qos = topic", ["topic", "qos"]) == 1
