"""Rows under a line: trouble under its place, and what may come next."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from console.app.signs import ASCII, UNICODE
from console.app.timeline.pieces import Row
from console.app.widgets.line_text import Offer, offers_row, trouble_row, trouble_words
from decoders.errors import DescriptionError
from tests.console.timeline.small_runs import HOSTILE


def text_of(row: Row) -> str:
    return "".join(text for text, _ in row)


@pytest.mark.parametrize(
    ("at", "width", "shown"),
    [
        (7, 40, "       ^ no such column"),
        (0, 40, "^ no such column"),
        (38, 40, "                       no such column ^"),
        (None, 40, "no such column"),
        (99, 40, "no such column"),
        (-3, 40, "no such column"),
        (7, 12, "no such col~"),
        (16, 20, " no such column ^"),
        (14, 20, "no such colu~ ^"),
    ],
)
def test_words_stand_beside_the_place_they_mean(at: int | None, width: int, shown: str) -> None:
    assert text_of(trouble_row("no such column", at, width, ASCII, "bad")).rstrip() == shown


@given(
    words=st.text(max_size=80),
    at=st.one_of(st.none(), st.integers(-5, 120)),
    width=st.integers(1, 100),
)
def test_trouble_never_takes_more_than_its_row(words: str, at: int | None, width: int) -> None:
    assert cell_len(text_of(trouble_row(words, at, width, UNICODE, "bad"))) <= width


def test_of_how_to_mend_it_the_first_sentence_is_told() -> None:
    error = DescriptionError("no column", mend="Did you mean 'address'? Known columns: a, b.")
    assert trouble_words(error) == "no column. Did you mean 'address'?"
    assert trouble_words(DescriptionError("no column", mend="Known: a.")) == "no column. Known: a."
    assert trouble_words(DescriptionError("no column")) == "no column"


OFFERS = [Offer(f"column_{k}", f"text in table_{k}") for k in range(20)]


def test_the_chosen_offer_has_a_sign_and_its_note() -> None:
    row = offers_row(OFFERS, 1, 60, ASCII)
    assert text_of(row).startswith(" column_0  >column_1   column_2")
    assert text_of(row).endswith("text in table_1")
    assert [text for text, style in row if style == "lit"] == [">column_1  "]


def test_the_chosen_offer_is_always_among_those_shown() -> None:
    shown = [text_of(offers_row(OFFERS, k, 40, ASCII)) for k in range(len(OFFERS))]
    assert all(f">column_{k}" in text for k, text in enumerate(shown))


@given(
    texts=st.lists(st.text(max_size=30), min_size=1, max_size=12),
    chosen=st.integers(0, 11),
    width=st.integers(0, 90),
)
def test_offers_never_take_more_than_their_row(texts: list[str], chosen: int, width: int) -> None:
    offers = [Offer(text, text) for text in texts]
    row = offers_row(offers, chosen % len(offers), width, UNICODE)
    assert cell_len(text_of(row)) <= width


def test_nothing_offered_is_an_empty_row() -> None:
    assert offers_row([], 0, 80, UNICODE) == []


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_cleaned(text: str) -> None:
    rows = [
        trouble_row(text, 3, 80, UNICODE, "bad"),
        offers_row([Offer(text, text)], 0, 80, UNICODE),
    ]
    shown = "".join(map(text_of, rows))
    assert shown.isprintable()
