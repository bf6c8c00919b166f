"""The line that goes to a time."""

from __future__ import annotations

import pytest
from textual.pilot import Pilot

from console.app.widgets.goto_line import GotoLine
from console.timeline.finding.moments import Around
from tests.console.app.widgets.lines import LineApp, paused, run_line, typed
from tests.console.timeline.small_runs import HOSTILE

Line = LineApp[GotoLine]
S = 10**9


def goto_line() -> GotoLine:
    line = GotoLine()
    line.around = Around(0, 2_125 * S, here_ns=1_000 * S, marks=((5 * S, "cap jammed"),))
    return line


def chosen(app: Line) -> list[int]:
    return [message.t_ns for message in app.told if isinstance(message, GotoLine.Chosen)]


@pytest.mark.parametrize(
    ("text", "t_ns", "told"),
    [
        ("34:07.9", 2_047_900_000_000, "is 34:07.900"),
        ("+1.5s", 1_001_500_000_000, "is 16:41.500"),
        ("mark cap", 5 * S, "is 00:05.000"),
    ],
)
def test_a_time_is_told_while_typed_and_gone_to_at_enter(text: str, t_ns: int, told: str) -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open(text)
        await paused(pilot)
        assert app.lines()[-1].endswith(told)
        await pilot.press("enter")
        await paused(pilot)
        assert chosen(app) == [t_ns]
        assert not app.under_test.is_open

    run_line(goto_line(), then)


def test_what_is_no_time_is_told_and_the_line_stays() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open()
        await typed(pilot, "99")
        await pilot.press("enter")
        await paused(pilot)
        assert app.lines()[-1] == "99 of what. With a unit: 99s, 99ms; or 99 %."
        assert app.under_test.is_open
        assert chosen(app) == []

    run_line(goto_line(), then)


def test_an_empty_line_shows_what_can_be_written_and_closes_at_enter() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open()
        await paused(pilot)
        assert "34:07.9" in app.lines()[-1]
        await pilot.press("enter")
        await paused(pilot)
        assert not app.under_test.is_open
        assert chosen(app) == []

    run_line(goto_line(), then)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_no_time(text: str) -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open(text)
        await pilot.press("enter")
        await paused(pilot)
        assert chosen(app) == []
        assert all(line.isprintable() for line in app.lines())

    run_line(goto_line(), then)


def test_without_a_run_there_is_nowhere_to_go() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open("1:00")
        await pilot.press("enter")
        await paused(pilot)
        assert chosen(app) == []

    run_line(GotoLine(), then)
