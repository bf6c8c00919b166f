"""A line that opens, is typed on, and closes."""

from __future__ import annotations

import pytest
from textual.pilot import Pilot

from console.app.widgets.line_text import Offer
from console.app.widgets.one_line import OneLine, TypedLine, typable
from tests.console.app.widgets.lines import LineApp, Rest, paused, run_line, typed
from tests.console.timeline.small_runs import HOSTILE


class Plain(OneLine):
    """Remembers what it was told."""

    ASKED = "say"

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[tuple[str, str]] = []

    def typed(self, text: str) -> None:
        self.seen.append(("typed", text))

    def looked_at(self, text: str) -> None:
        self.seen.append(("looked at", text))

    def entered(self, text: str) -> None:
        self.seen.append(("entered", text))


def test_closed_it_takes_no_room_and_open_it_has_the_focus() -> None:
    async def then(app: LineApp[Plain], pilot: Pilot[None]) -> None:
        line = app.under_test
        assert line.outer_size.height == 0
        line.open("so far")
        await paused(pilot)
        assert app.lines()[-1] == " say so far"
        assert app.screen.focused is line.line

    run_line(Plain(), then)


def test_escape_closes_it_and_gives_the_focus_back() -> None:
    async def then(app: LineApp[Plain], pilot: Pilot[None]) -> None:
        app.under_test.open("x")
        await pilot.press("escape")
        await paused(pilot)
        assert not app.under_test.is_open
        assert isinstance(app.screen.focused, Rest)
        assert [type(message) for message in app.told] == [OneLine.Left]

    run_line(Plain(), then)


def test_what_was_typed_is_looked_at_after_a_pause() -> None:
    async def then(app: LineApp[Plain], pilot: Pilot[None]) -> None:
        line = app.under_test
        line.pause_s = 30.0
        line.open()
        await pilot.press("a", "b")
        assert line.seen[-1] == ("typed", "ab")
        assert ("looked at", "ab") not in line.seen
        line.pause_s = 0.001
        await typed(pilot, "c")
        assert line.seen[-1] == ("looked at", "abc")
        assert ("looked at", "ab") not in line.seen

    run_line(Plain(), then)


def test_enter_takes_the_text_and_nothing_looks_at_it_later() -> None:
    async def then(app: LineApp[Plain], pilot: Pilot[None]) -> None:
        line = app.under_test
        line.pause_s = 30.0
        line.open()
        await pilot.press("a", "enter")
        line.close()
        await paused(pilot)
        assert line.seen[-1] == ("entered", "a")

    run_line(Plain(), then)


def test_trouble_stands_under_its_place_in_wide_text_too() -> None:
    async def then(app: LineApp[Plain], pilot: Pilot[None]) -> None:
        app.under_test.open("瓶 cap")
        await paused(pilot)
        app.under_test.show_trouble("this", 3)
        app.under_test.tell("told")
        await paused(pilot)
        assert app.lines()[-2].endswith("told")
        assert app.lines()[-1] == "        ▲ this"

    run_line(Plain(), then)


def test_of_a_long_text_the_place_is_where_it_is_drawn() -> None:
    async def then(app: LineApp[Plain], pilot: Pilot[None]) -> None:
        app.under_test.open("x" * 200 + "!")
        await paused(pilot)
        app.under_test.show_trouble("this", 201)
        await paused(pilot)
        at = app.lines()[-2].index("!")
        assert app.lines()[-1][at] == "▲"
        app.under_test.show_trouble("far to the left", 1)
        await paused(pilot)
        assert app.lines()[-1] == "far to the left"

    run_line(Plain(), then)


def test_offers_are_gone_through_and_round() -> None:
    async def then(app: LineApp[Plain], pilot: Pilot[None]) -> None:
        line = app.under_test
        line.open()
        line.offer([Offer("one"), Offer("two")])
        line.choose(1)
        await paused(pilot)
        assert app.lines()[-1] == " one  ▌two"
        line.choose(1)
        assert line.chosen == 0

    run_line(Plain(), then)


@pytest.mark.parametrize("text", HOSTILE)
def test_only_what_is_drawn_as_it_is_can_be_pasted(text: str) -> None:
    async def then(app: LineApp[Plain], pilot: Pilot[None]) -> None:
        app.under_test.open()
        line = app.query_one(TypedLine)
        line.insert_text_at_cursor(text)
        await paused(pilot)
        assert line.value == typable(text)
        assert line.value.isprintable()

    run_line(Plain(), then)


def test_letters_that_are_composed_of_two_can_be_typed() -> None:
    assert typable("e\u0301") == "\u00e9"


def test_text_that_looks_like_markup_is_drawn_as_it_is() -> None:
    async def then(app: LineApp[Plain], pilot: Pilot[None]) -> None:
        app.under_test.open("[red]x[/]", asked="note of [b]")
        app.under_test.tell("[/x]")
        await paused(pilot)
        shown = app.lines()[-1]
        assert shown.startswith(" note of [b] [red]x[/]")
        assert shown.endswith("[/x]")

    run_line(Plain(), then)
