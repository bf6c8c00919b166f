"""The filter line: completion, errors in place, and what is applied."""

from __future__ import annotations

import pytest
from textual.pilot import Pilot

from console.app.signs import ASCII
from console.app.widgets.filter_line import FilterLine
from console.timeline.finding.vocabulary import Vocabulary
from tests.console.app.widgets.lines import LineApp, paused, run_line, typed
from tests.console.timeline.small_runs import HOSTILE, cap_line, run_of

Line = LineApp[FilterLine]


def filter_line(*, ascii_only: bool = False) -> FilterLine:
    run = cap_line()
    line = FilterLine(ASCII) if ascii_only else FilterLine()
    line.vocabulary = Vocabulary(run.tables, run.parties)
    return line


def applied(app: Line) -> list[str]:
    return [message.text for message in app.told if isinstance(message, FilterLine.Applied)]


def test_tab_completes_and_enter_applies() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open()
        await typed(pilot, "par")
        await pilot.press("tab", "tab", "down", "tab", "enter")
        await paused(pilot)
        assert not app.under_test.is_open
        assert applied(app) == ["party = 'camera'"]

    run_line(filter_line(), then)


def test_right_completes_at_the_end_and_moves_elsewhere() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        line = app.under_test
        line.open("addr AND valid")
        await pilot.press("home", "right")
        assert line.line.value == "addr AND valid"
        assert line.line.cursor_position == 1
        await pilot.press("right", "right", "right", "tab")
        assert line.line.value == "address AND valid"
        line.open("pack")
        await pilot.press("right")
        assert line.line.value == "packet "

    run_line(filter_line(), then)


def test_an_error_is_shown_under_its_column_while_typing() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open()
        await typed(pilot, "qos = 1 AND adress = 46")
        assert app.lines()[-2:] == [
            " filter qos = 1 AND adress = 46",
            "                    ▲ no column named 'adress'. Did you mean 'address'?",
        ]
        await pilot.press("enter")
        await paused(pilot)
        assert app.under_test.is_open
        assert applied(app) == []

    run_line(filter_line(), then)


def test_what_is_unfinished_is_told_quietly_and_refused_at_enter() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        line = app.under_test
        line.open()
        await typed(pilot, "qos =")
        row = line.query_one(".trouble").row  # type: ignore[attr-defined]
        assert row[-1] == ("▲ a column or a value is wanted after =", "quiet")
        await pilot.press("enter")
        row = line.query_one(".trouble").row  # type: ignore[attr-defined]
        assert row[-1][1] == "bad"
        assert line.is_open

    run_line(filter_line(), then)


def test_an_empty_line_shows_all_again() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open("  ")
        await pilot.press("enter")
        await paused(pilot)
        assert applied(app) == [""]

    run_line(filter_line(), then)


def test_escape_applies_nothing() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open()
        await typed(pilot, "valid")
        await pilot.press("escape")
        await paused(pilot)
        assert applied(app) == []
        assert not app.under_test.is_open

    run_line(filter_line(), then)


def test_it_can_be_used_in_ascii_at_eighty_columns() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open()
        await typed(pilot, "adr = 1 AND ")
        assert len(app.lines()) == 24
        assert all(line.isascii() and len(line) <= 80 for line in app.lines())

    run_line(filter_line(ascii_only=True), then)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_a_condition_like_any_other(text: str) -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open(f"text = '{text}")
        await paused(pilot)
        await pilot.press("enter")
        await paused(pilot)
        assert app.under_test.is_open
        assert all(line.isprintable() for line in app.lines())

    run_line(filter_line(), then)


def test_without_a_run_nothing_is_offered_and_nothing_refused() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open()
        await typed(pilot, "any")
        await pilot.press("tab", "enter")
        await paused(pilot)
        assert applied(app) == ["any"]

    run_line(FilterLine(), then)


def test_a_value_with_quotes_is_completed_so_that_it_holds() -> None:
    run = run_of({"prints": [{"t_ns": 0, "source": "it's", "text": "x"}]})

    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open("source =")
        await pilot.press("tab", "enter")
        await paused(pilot)
        assert applied(app) == ["source ='it''s'"]

    line = FilterLine()
    line.vocabulary = Vocabulary(run.tables, run.parties)
    run_line(line, then)
