"""The search line: what is asked of its parent, and the count it tells."""

from __future__ import annotations

import pytest
from textual.pilot import Pilot

from console.app.widgets.one_line import OneLine
from console.app.widgets.search_line import SearchLine
from tests.console.app.widgets.lines import LineApp, paused, run_line, typed

Line = LineApp[SearchLine]


def test_enter_goes_on_and_the_line_stays_open() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open()
        await typed(pilot, "no ack")
        await pilot.press("enter", "down", "up")
        await paused(pilot)
        sought = [m for m in app.told if isinstance(m, SearchLine.Sought)]
        assert [(m.text, m.forward) for m in sought] == [
            ("no ack", True),
            ("no ack", True),
            ("no ack", False),
        ]
        assert app.under_test.is_open

    run_line(SearchLine(), then)


def test_the_count_is_asked_for_after_a_pause() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open()
        await typed(pilot, "poll")
        asked = [m.text for m in app.told if isinstance(m, SearchLine.Typed)]
        assert asked[-1] == "poll"

    run_line(SearchLine(), then)


@pytest.mark.parametrize("text", ["", "  "])
def test_nothing_to_look_for_closes_the_line(text: str) -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open(text)
        await pilot.press("down", "up", "enter")
        await paused(pilot)
        assert not app.under_test.is_open
        assert [type(message) for message in app.told] == [OneLine.Left]

    run_line(SearchLine(), then)


@pytest.mark.parametrize(
    ("matches", "nth", "wrapped", "told"),
    [
        (0, None, False, "no event says it"),
        (1, None, False, "1 event"),
        (2_047, None, False, "2,047 events"),
        (2_047, 12, False, "12 of 2,047 events"),
        (2_047, 1, True, "1 of 2,047 events, went round"),
    ],
)
def test_the_count_is_told(matches: int, nth: int | None, wrapped: bool, told: str) -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open("x")
        await paused(pilot)
        app.under_test.count(matches, nth, wrapped=wrapped)
        await paused(pilot)
        assert app.lines()[-1].endswith(f" {told}")

    run_line(SearchLine(), then)


def test_the_count_of_another_text_is_forgotten() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open("x")
        await paused(pilot)
        app.under_test.count(5)
        await typed(pilot, "y")
        assert app.lines()[-1] == " search xy"

    run_line(SearchLine(), then)
