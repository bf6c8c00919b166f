from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.vcd_place import LONGEST_TOKEN, Cursor, printable, too_long, whole_tokens
from decoders.errors import Place

TEXT = st.text("#01!\n \t\r", max_size=30).map(str.encode)


@settings(deadline=None)
@given(before=TEXT, text=TEXT, offset=st.integers(0, 30))
def test_a_place_is_counted_in_lines_and_bytes_however_the_text_comes(
    before: bytes, text: bytes, offset: int
) -> None:
    offset = min(offset, len(text))
    cursor = Cursor("cap.vcd")
    cursor.pass_over(before)
    lines = (before + text[:offset]).split(b"\n")
    assert cursor.at(text, offset) == Place("cap.vcd", len(lines), len(lines[-1]) + 1)


def test_whole_lines_are_passed_at_once() -> None:
    cursor = Cursor("cap.vcd", line=3)
    cursor.pass_lines(5)
    assert cursor.at(b"#1", 1) == Place("cap.vcd", 8, 2)


@pytest.mark.parametrize(
    ("text", "end"),
    [
        (b"#10\n1!\n0", 7),
        (b"#10 1! 0", 7),
        (b"#10\t1!", 4),
        (b"#10\r", 0),  # a line feed may follow
        (b"#10", 0),
        (b"a b\nc d", 4),  # at a line feed where there is one
    ],
)
def test_no_token_is_cut(text: bytes, end: int) -> None:
    assert whole_tokens(text, 0, len(text)) == end


def test_nothing_before_the_begin_is_looked_at() -> None:
    assert whole_tokens(b"a\nbc", 2, 4) == 2


def test_tokens_are_shown_as_ascii_and_not_beyond_a_limit() -> None:
    assert printable(b"\x1b[31m\xff") == r"'\x1b[31m\xff'"
    assert printable(b"x" * 25) == f"'{'x' * 24}...'"


def test_a_token_without_end_is_told_with_its_place() -> None:
    error = too_long(Cursor("cap.vcd"), b"a\n" + b"x" * 10, 2)
    assert str(error).startswith("cap.vcd:2:1: a token longer than 1,048,576 bytes")
    assert LONGEST_TOKEN == 1_048_576
