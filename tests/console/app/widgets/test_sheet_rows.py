"""Rows of a sheet: never wider than asked, every text cleaned, nothing told by colour alone."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from console.app.timeline.pieces import Piece
from console.app.widgets.sheet_rows import NARROWEST, STYLES, sheet_rows, text_of, wrapped
from console.printable import printable
from console.timeline.events import BAD, UNSEEN
from console.timeline.sheet.lines import (
    MOST_FIELDS,
    MOST_RAW,
    Change,
    CheckCode,
    Field,
    Heading,
    Line,
    Link,
    More,
    RawBytes,
    Sheet,
    Told,
    Tone,
    Words,
)
from tests.console.app.widgets.sheets import FIELDS, PLAIN, SHEETS, sheet

HEAD = 4  # rows above the lines: title, time, clock, rule


def drawn(*lines: Line, width: int = 38, head: int = HEAD) -> list[str]:
    """The rows of some lines."""
    return text_of(sheet_rows(sheet(*lines), width, ascii_only=True)).split("\n")[head:]


@settings(max_examples=60)
@given(SHEETS, st.integers(NARROWEST, 120), st.booleans())
def test_no_row_is_wider_than_asked_and_all_text_is_clean(
    any_sheet: Sheet, width: int, ascii_only: bool
) -> None:
    rows = sheet_rows(any_sheet, width, ascii_only=ascii_only)
    pieces = [piece for row in rows for piece in row]
    assert max(sum(cell_len(text) for text, _ in row) for row in rows) <= width
    assert all(printable(text, ascii_only=ascii_only) == text for text, _ in pieces)
    assert {style for _, style in pieces} <= set(STYLES)


@settings(max_examples=30)
@given(SHEETS, st.integers(0, NARROWEST - 1))
def test_a_sliver_of_a_sheet_is_cut_and_not_wrapped(any_sheet: Sheet, width: int) -> None:
    rows = sheet_rows(any_sheet, width, ascii_only=False)
    assert max(sum(cell_len(text) for text, _ in row) for row in rows) <= width


@settings(max_examples=60)
@given(FIELDS)
def test_whatever_is_lit_or_bad_has_its_sign_before_it(line: Field) -> None:
    expected = {Change.SAME: " ", Change.NONE: " ", Change.STEPS: "+"}.get(line.change, "*")
    assert drawn(line)[0][:1].ljust(1) == ("!" if line.problems else expected)


@given(st.lists(st.tuples(st.text(max_size=30), st.just("value"))), st.integers(2, 40))
def test_wrapping_keeps_every_word_in_order(pieces: list[Piece], cells: int) -> None:
    clean = [(printable(text), style) for text, style in pieces]
    rows = wrapped(clean, cells)
    told = "".join(text for row in rows for text, _ in row).replace(" ", "")
    assert told == "".join(text for text, _ in clean).replace(" ", "")
    assert all(sum(cell_len(text) for text, _ in row) <= cells for row in rows)


def test_a_field_stands_with_its_value_place_and_bytes() -> None:
    line = Field("x", "158", 1, "px", 7, 9, b"\x9e\x00", change=Change.DIFFERS, was="160")
    other = Field("sequence", "2047", begin=14, end=16, content=b"\xff\x07", change=Change.STEPS)
    assert drawn(line, other) == [
        "*  x       158 px  was 160     7 9E 00",
        "+ sequence 2047               14 FF 07",
    ]


def test_what_does_not_fit_beside_a_value_stands_under_it() -> None:
    line = Field("gate", '"' + "r" * 16 + '"', change=Change.DIFFERS, was='"' + "l" * 16 + '"')
    assert drawn(line) == ['* gate   "rrrrrrrrrrrrrrrr"', '         was "llllllllllllllll"']


def test_a_problem_stands_under_its_field_with_the_sign_beside_it() -> None:
    line = Field("x", "520", unit="px", problems=("above 319",), change=Change.DIFFERS)
    assert drawn(line) == ["! x      520 px", "         above 319"]


def test_a_name_too_long_for_its_column_has_a_row_of_its_own() -> None:
    assert drawn(Field("temperature_of_the_motor", "41")) == [
        "  temperature_of_the_motor",
        "         41",
    ]


def test_limits_are_told_where_there_is_room() -> None:
    assert drawn(Field("x", "158", allowed="at most 319")) == ["  x      158  at most 319"]
    assert drawn(Field("kind", "49", allowed="always 49")) == ["  kind   49"]


def test_check_codes_say_right_or_wrong_in_words() -> None:
    right = CheckCode("sum", "sum16", "0106", "0106", "bytes 4 to 5")
    wrong = replace(right, computed="0107")
    unknown = replace(right, computed=None)
    assert drawn(right) == ["  sum    0106 right", "         sum16 over bytes 4 to 5"]
    assert drawn(wrong)[:2] == ["! sum    0106 wrong", "         computed 0107"]
    assert drawn(unknown)[0] == "  sum    0106 not checked"


def test_bytes_that_differ_are_marked_one_by_one() -> None:
    same, lit = Change.SAME, Change.DIFFERS
    raw = RawBytes(b"AB\x00\xffC", (same, lit, same, same, lit), 900)
    assert drawn(raw) == ["*  0 41*42 00 FF*43          AB..C", "  ... 895 more bytes"]


@pytest.mark.parametrize(("width", "count"), [(22, 4), (38, 8), (80, 16)])
def test_a_row_of_bytes_is_as_long_as_fits(width: int, count: int) -> None:
    assert len(drawn(RawBytes(bytes(32), (), 32), width=width)) == 32 // count


def test_numbers_that_differ_are_lit_in_the_text() -> None:
    rows = sheet_rows(sheet(Words("poll 8 us 9", Tone.PLAIN, ((10, 11),))), 38, ascii_only=True)
    assert ("9", "lit") in rows[-1]
    assert rows[-1][0][0] == "* "


def test_links_and_findings_say_who_and_how_long() -> None:
    lines = (
        Heading("led to"),
        Link(False, "broker", "blocks n=7", 1_840_000, 0, "poll", "seen", "messages", 3),
        Link(False, "broker", "not seen", None, 0, "", "missing", "", -1),
        Told("fault", "stops-answering", "camera stopped", 0, 0),
        More(3, "findings"),
    )
    assert drawn(*lines, head=HEAD - 1) == [
        "  led to -----------------------------",
        "  broker                 1.84 ms after",
        "   blocks n=7",
        "   tied by poll",
        "! broker",
        "   not seen",
        "! fault, stops-answering",
        "   camera stopped",
        "  ... 3 more findings",
    ]


def test_the_head_says_what_when_and_how_well_that_is_known() -> None:
    full = replace(PLAIN, state=BAD, band_ns=1_010_000, problems=("wrong check code",))
    assert text_of(sheet_rows(full, 40, ascii_only=True)).split("\n") == [
        "! blocks from camera",
        "  34:10.852933 +-1.01 ms",
        "  wire",
        "! wrong check code",
    ]


def test_what_is_on_no_axis_says_so() -> None:
    text = text_of(sheet_rows(replace(PLAIN, band_ns=None), 60, ascii_only=False))
    assert "34:10.852933, on its own clock alone" in text


def test_what_could_not_be_seen_has_a_sign_of_its_own() -> None:
    assert text_of(sheet_rows(replace(PLAIN, state=UNSEEN), 40, ascii_only=True))[0] == "?"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ((Change.DIFFERS, Change.STEPS, Change.SAME), "  * 1 differs  + 1 steps"),
        ((Change.DIFFERS, Change.GONE), "  * 2 differ"),
        ((Change.SAME, Change.STEPS), "  nothing differs  + 1 steps"),
    ],
)
def test_the_head_counts_what_differs(changes: tuple[Change, ...], expected: str) -> None:
    full = replace(sheet(*(Field("x", "1", change=c) for c in changes)), compared="beside")
    assert expected in text_of(sheet_rows(full, 40, ascii_only=True)).split("\n")


def test_the_largest_sheet_is_laid_out_in_a_moment() -> None:
    fields = [Field(f"field {k}", "1" * 30, 2, "px", k, k + 2, b"ab") for k in range(MOST_FIELDS)]
    raw = RawBytes(bytes(MOST_RAW), (Change.DIFFERS,) * MOST_RAW, MOST_RAW)
    full = sheet(*fields, raw)
    sheet_rows(full, 38, ascii_only=False)
    began = time.perf_counter()
    sheet_rows(full, 38, ascii_only=False)
    assert time.perf_counter() - began < 0.1  # 4 ms, with room for a busy machine
