"""Lines of a report that fit a width, in cells."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from console.report.wrapping import NARROWEST, wrapped

SENTENCE = "  the camera stopped answering at 34:10 after 2,047 polls"


@pytest.mark.parametrize("width", [None, len(SENTENCE), 1_000])
def test_line_that_fits_stays_whole(width: int | None) -> None:
    assert wrapped(SENTENCE, width) == [SENTENCE]


def test_what_follows_stands_two_further_in() -> None:
    assert wrapped(SENTENCE, 30) == [
        "  the camera stopped answering",
        "    at 34:10 after 2,047 polls",
    ]


def test_what_follows_stands_where_it_is_told() -> None:
    found = wrapped("error    34:10  camera stopped answering", 36, 16)
    assert found[1:] == [" " * 16 + "answering"]


def test_narrow_terminal_gets_the_line_whole() -> None:
    assert wrapped(SENTENCE, NARROWEST + 3) == [SENTENCE]
    assert len(wrapped(SENTENCE, NARROWEST + 4)) > 1


WORDS = st.lists(st.text("a\u6c34\uff21b", min_size=1, max_size=60), min_size=1)


@given(WORDS, st.integers(24, 60))
def test_no_line_is_wider_than_asked_and_no_word_is_lost(words: list[str], width: int) -> None:
    lines = wrapped(" ".join(words), width)
    assert all(cell_len(line) <= width for line in lines)
    assert "".join("".join(lines).split()) == "".join(words)
