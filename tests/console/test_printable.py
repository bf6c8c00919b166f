from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from console.printable import printable, printable_block

EVERY = [chr(code) for code in range(0x110000)]
HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Mn", "Mc", "Me", "Zl", "Zp"}
# Characters by weight of trouble: plain, control, joiner, selector, mark, flag, jamo, surrogate.
TROUBLE = st.text(
    st.one_of(
        st.sampled_from(
            "a<U+0>\x00\x07\x1b\x7f\x9b\u200d\ufe0f\u0301\U0001f468\u2603\u1100\u1161\u202e"
            "\U0001f1e9\U0001f3fd\ud800\udc80\u4e2d\u00b5\t\n\r\u2028"
        ),
        st.integers(0, 0x10FFFF).map(chr),
    )
)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain text, 42 °C, 3 µs", "plain text, 42 °C, 3 µs"),
        ("\x1b[31mred\x1b[0m", "␛[31mred␛[0m"),
        ("a\tb\r\n", "a␉b␍␊"),
        ("\x00\x7f", "␀␡"),
        ("\x9b31m", "<U+009B>31m"),
        ("level\u202e24\u202c", "level<U+202E>24<U+202C>"),
        ("a\u200bb\u00ad", "a<U+200B>b<U+00AD>"),
        ("e\u0301", "e<U+0301>"),
        ("\ud800", "<U+D800>"),
        ("\ue000\U000f0000", "<U+E000><U+F0000>"),
        ("\u3164\u115f\uffa0", "<U+3164><U+115F><U+FFA0>"),
        ("\u00a0\u3000", "<U+00A0><U+3000>"),
        ("[bold]x[/bold]", "[bold]x[/bold]"),
    ],
)
def test_what_cannot_be_drawn_is_named(text: str, shown: str) -> None:
    assert printable(text) == shown


def test_no_code_point_that_hides_or_drives_survives() -> None:
    survivors = [c for c in EVERY if unicodedata.category(c) in HIDDEN and c in printable(c)]
    assert survivors == []


def test_every_character_shown_for_any_code_point_has_a_width() -> None:
    drawn = {shown for char in EVERY for shown in printable(char)}
    assert [char for char in drawn if cell_len(char) not in (1, 2)] == []


def test_letters_digits_and_symbols_of_known_width_stay() -> None:
    assert printable("Größe ≤ 5 Ω ✓ 中文 ─│┌ é") == "Größe ≤ 5 Ω ✓ 中文 ─│┌ é"


def test_ascii_only_leaves_nothing_outside_printable_ascii() -> None:
    shown = [printable(char, ascii_only=True) for char in EVERY]
    assert all(text.isascii() and text.isprintable() for text in shown)


def test_ascii_only_names_controls_and_the_rest_alike() -> None:
    assert printable("\x1b[0m 5 µs", ascii_only=True) == "<U+001B>[0m 5 <U+00B5>s"


@settings(max_examples=100, deadline=None)
@given(TROUBLE, st.booleans())
def test_printing_twice_changes_nothing(text: str, ascii_only: bool) -> None:
    once = printable(text, ascii_only=ascii_only)
    assert printable(once, ascii_only=ascii_only) == once


@settings(max_examples=100, deadline=None)
@given(TROUBLE)
def test_the_width_of_a_line_is_the_sum_of_its_characters(text: str) -> None:
    shown = printable(text)
    assert cell_len(shown) == sum(cell_len(char) for char in shown)


@settings(max_examples=50, deadline=None)
@given(TROUBLE, TROUBLE)
def test_neighbours_do_not_change_how_text_is_shown(left: str, right: str) -> None:
    assert printable(left + right) == printable(left) + printable(right)


def test_a_block_keeps_line_feeds_and_nothing_else() -> None:
    assert printable_block("one\ntwo\r\n\x1bthree") == "one\ntwo␍\n␛three"


def test_a_block_in_ascii_stays_in_ascii() -> None:
    assert printable_block("1 µs\n2 µs", ascii_only=True) == "1 <U+00B5>s\n2 <U+00B5>s"
