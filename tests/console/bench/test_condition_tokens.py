"""The parts of a condition."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.bench.condition_tokens import name_of, pieces, texts_compared, tokens


@given(st.text())
def test_every_character_of_a_condition_is_in_one_of_its_tokens(text: str) -> None:
    left = list(text)
    for at, token in tokens(text):
        assert text[at : at + len(token)] == token
        left[at : at + len(token)] = " " * len(token)
    assert "".join(left).isspace() or not left


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("state = 'bad'", [(8, "bad")]),
        ("'bad' <> state", [(0, "bad")]),
        ("state IN ('bad', 'odd') OR x = 'y'", [(10, "bad"), (17, "odd")]),
        ("state NOT IN ('it''s')", [(14, "it's")]),
        ("\"state\" != 'odd'", [(11, "odd")]),
        ("x = 'state' AND state = 3", []),
        ("state LIKE 'b%'", []),
        ("state IN ('bad", []),
        ("state =", []),
        ("state", []),
    ],
)
def test_texts_that_a_column_is_compared_with(text: str, expected: list[tuple[int, str]]) -> None:
    assert texts_compared(text, "state") == expected


def test_hexadecimal_numbers_become_decimal_ones_outside_of_texts() -> None:
    assert "".join(pieces("a = 0x2E OR \"0x2E\" = '0x2E'")) == "a = 46 OR \"0x2E\" = '0x2E'"


def test_a_quoted_name_is_its_text() -> None:
    assert [name_of(t) for t in ('"a b"', 'fields."x-y"', "plain")] == [
        "a b",
        "fields.x-y",
        "plain",
    ]
