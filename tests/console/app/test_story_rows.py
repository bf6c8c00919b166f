"""A story as rows."""

from __future__ import annotations

from rich.cells import cell_len

from console.app.signs import ASCII, UNICODE
from console.app.story_rows import INDENT, story_rows
from console.diagnosis.story import Line, Part, Place, Story
from tests.console.diagnosis.stories import some_episode

WIDTH = 40


def story(*lines: Line, folded: bool = False) -> Story:
    return Story(some_episode(), "head", (Part("title", lines, folded), Part("next", ())))


def test_titles_and_sentences_follow_one_another_with_space_between_parts() -> None:
    rows = list(story_rows(story(Line("one"), Line("two")), (), WIDTH, UNICODE))
    assert [row.text for row in rows] == ["title", "one", "two", "", "next"]


def test_a_folded_part_shows_its_title_until_it_is_opened() -> None:
    told = story(Line("one"), folded=True)
    closed = [row.text for row in story_rows(told, (), WIDTH, UNICODE)]
    opened = [row.text for row in story_rows(told, {"title"}, WIDTH, UNICODE)]
    assert (closed, opened) == (["title", "", "next"], ["title", "one", "", "next"])


def test_the_cursor_stops_at_sentences_once_and_at_titles_that_open() -> None:
    told = story(Line("word " * 20), folded=True)
    rows = list(story_rows(told, {"title"}, WIDTH, UNICODE))
    assert [row.is_stop for row in rows] == [True, True, False, False, False, False]


def test_a_sentence_is_wrapped_by_cells() -> None:
    rows = list(story_rows(story(Line("漢字 " * 30)), (), WIDTH, UNICODE))[1:-2]
    assert max(cell_len(row.text) for row in rows) <= WIDTH - INDENT - 1
    assert "".join(row.text for row in rows).replace(" ", "") == "漢字" * 30


def test_a_drawing_is_cut_and_keeps_its_spaces() -> None:
    rows = list(story_rows(story(Line("  ─  " * 30, drawn=True)), (), WIDTH, UNICODE))
    assert rows[1].text == ("  ─  " * 30)[: WIDTH - INDENT - 2] + "…"


def test_the_wire_is_drawn_in_ascii_where_the_screen_is() -> None:
    rows = list(story_rows(story(Line("SDA ▁╱▔╲··", drawn=True)), (), WIDTH, ASCII))
    assert rows[1].text == "SDA _/~\\.."


def test_hostile_text_is_harmless_and_a_long_one_is_looked_at_in_part() -> None:
    told = story(Line("\x1b[2J[bold]\x00" + "x" * 1_000_000, Place(0)))
    rows = list(story_rows(told, (), WIDTH, ASCII))
    assert len(rows) < 200
    assert all(row.text.isascii() and row.text.isprintable() for row in rows)
