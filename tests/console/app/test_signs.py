"""The characters screens draw with."""

from __future__ import annotations

from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from console.app.signs import ASCII, UNICODE, Signs, signs_for

WIDER = ("bars", "plus_minus", "is_ascii")


def texts(signs: Signs) -> dict[str, list[str]]:
    found = {field.name: getattr(signs, field.name) for field in fields(signs)}
    return {
        name: list(value) if isinstance(value, tuple) else [value]
        for name, value in found.items()
        if name not in WIDER
    }


@pytest.mark.parametrize("signs", [UNICODE, ASCII])
def test_every_sign_takes_one_cell(signs: Signs) -> None:
    wrong = {
        name: each for name, each in texts(signs).items() if {cell_len(s) for s in each} != {1}
    }
    assert wrong == {}
    assert {cell_len(bar) for bar in signs.bars} == {1}


@pytest.mark.parametrize("signs", [UNICODE, ASCII])
def test_states_differ_in_shape(signs: Signs) -> None:
    states = [signs.node, signs.odd, signs.bad, signs.unseen, signs.absent]
    assert len(set(states)) == len(states)
    assert signs.lost not in (signs.right, signs.left, signs.run)
    assert len({signs.here, signs.mark, signs.bad}) == 3


def test_the_ascii_set_is_ascii() -> None:
    drawn = [s for each in texts(ASCII).values() for s in each] + [ASCII.bars, ASCII.plus_minus]
    assert all(s.isascii() and s.isprintable() for s in drawn)


def test_both_sets_have_a_bar_for_every_level() -> None:
    assert len(UNICODE.bars) == len(ASCII.bars) == len(set(UNICODE.bars)) == len(set(ASCII.bars))


@given(st.text())
def test_text_is_cleaned_with_the_characters_of_the_set(text: str) -> None:
    assert UNICODE.clean(text).isprintable()
    assert ASCII.clean(text).isascii()
    assert ASCII.clean(text).isprintable()


def test_the_set_follows_what_the_terminal_shows() -> None:
    assert (signs_for(ascii_only=True), signs_for(ascii_only=False)) == (ASCII, UNICODE)
