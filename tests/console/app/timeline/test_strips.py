"""What a row of the screen shows, and that as a strip."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rich.style import Style

from console.app.signs import UNICODE
from console.app.timeline.gutter import Clock
from console.app.timeline.pieces import Row
from console.app.timeline.standing import DEPTHS, Depth, Standing
from console.app.timeline.strips import row_on, strip_of
from console.app.timeline.viewport import BIT, WAIT
from tests.console.app.timeline.standings import (
    HEIGHT,
    S,
    on,
    over_bits,
    prints_at,
    row_of_chosen,
    standing_in,
)
from tests.console.app.timeline.views import text_of

STYLES = {
    "text": Style(color="white"),
    "bad": Style(color="red", bold=True),
    "line": Style(color="blue"),
}
ROW: Row = [("ab", "bad"), ("", "line"), ("瓶c", "line")]


def text_on(standing: Standing, y: int, clock: Clock = "start", mark_ns: int | None = None) -> str:
    return text_of(row_on(standing, y, clock, mark_ns)[0])


@pytest.mark.parametrize(("width", "text"), [(8, "ab瓶c   "), (5, "ab瓶c"), (3, "ab "), (0, "")])
def test_a_strip_is_as_wide_as_the_screen(width: int, text: str) -> None:
    strip = strip_of(ROW, width, STYLES.__getitem__)
    assert (strip.text, strip.cell_length) == (text, width)


def test_each_piece_has_its_style_and_what_is_filled_that_of_text() -> None:
    strip = strip_of(ROW, 8, STYLES.__getitem__)
    assert [(s.text, s.style) for s in strip] == [
        ("ab", STYLES["bad"]),
        ("瓶c", STYLES["line"]),
        ("   ", STYLES["text"]),
    ]


def test_what_marks_the_chosen_row_lies_over_the_styles_of_its_pieces() -> None:
    here = Style(bgcolor="green")
    strip = strip_of(ROW, 8, STYLES.__getitem__, here=here)
    assert [s.style for s in strip] == [
        STYLES["bad"] + here,
        STYLES["line"] + here,
        STYLES["text"] + here,
    ]


def test_the_first_row_names_the_columns() -> None:
    standing = standing_in(prints_at(range(8), parties=2))
    assert text_on(standing, 0).split() == ["time", "board", "00", "board", "01"]
    chosen = {style for text, style in row_on(standing, 0, "start", None)[0] if "board 00" in text}
    assert chosen == {"head-chosen"}


@pytest.mark.parametrize("depth", DEPTHS)
def test_one_row_is_the_chosen_one_and_has_the_cursor(depth: Depth) -> None:
    standing = standing_in(prints_at(range(0, 6000, 10)))
    standing.go_to(3000 * S, None, depth)
    chosen = [y for y in range(HEIGHT) if row_on(standing, y, "start", None)[1]]
    cursor = [y for y in range(HEIGHT) if text_on(standing, y).startswith(UNICODE.cursor)]
    assert chosen == cursor == [1 + row_of_chosen(standing)]


def test_every_event_is_on_its_row() -> None:
    standing = standing_in(prints_at(range(100)))
    standing.go_to(50 * S)
    for y, line in enumerate(standing.lines()):
        assert f"line {line.at} " in text_on(standing, y + 1)


def test_a_wait_tells_its_length() -> None:
    standing = standing_in(prints_at([0, 1, 2, 3, 62]))
    (wait,) = on(standing, WAIT)
    assert "~ 59 s" in text_on(standing, 1 + standing.lines().index(wait))


def test_lines_of_bits_are_those_of_the_chosen_event_from_the_first_shown_on() -> None:
    standing = over_bits(12)
    standing.scroll_bits(5)
    assert standing.drawing is not None
    assert standing.event is not None
    rows = standing.drawing.bit_rows(standing.event, 80)
    first = standing.lines().index(on(standing, BIT)[0])
    assert [text_on(standing, 1 + first + k) for k in range(3)] == [
        text_of(row) for row in rows[5:8]
    ]


def test_a_row_of_minutes_begins_with_its_time() -> None:
    standing = standing_in(prints_at(range(0, 6000, 10)))
    standing.take_width(300 * S)
    standing.look_at("minutes")
    times = [text_on(standing, y)[1:].split()[0] for y in (1, 2, 3)]
    assert times == ["00:00", "05:00", "10:00"]


@pytest.mark.parametrize(
    ("clock", "mark_ns", "time"),
    [
        ("start", 50 * S, "00:03.0000"),
        ("mark", 2 * S, "00:06.0000"),
        ("mark", None, "00:03.0000"),
        ("wall", 2 * S, "01:02:08.000"),
    ],
)
def test_times_count_from_what_the_clock_says(clock: Clock, mark_ns: int | None, time: str) -> None:
    view = replace(prints_at(range(5, 30)), wall_ns=3_720 * S)
    standing = standing_in(view)
    standing.stand_on(3)
    row = text_on(standing, 1 + row_of_chosen(standing), clock, mark_ns)
    assert time in row


def test_rows_below_the_last_event_are_empty_and_so_is_a_screen_without_a_run() -> None:
    standing = standing_in(prints_at(range(5)))
    rows = [row_on(standing, y, "start", None) for y in (6, HEIGHT - 1, HEIGHT, HEIGHT + 9)]
    rows += [row_on(Standing(), y, "start", None) for y in (0, 1)]
    assert rows == [([], False)] * 6
