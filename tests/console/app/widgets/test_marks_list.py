"""The list of marks."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence

import pytest
from textual.app import App, ComposeResult
from textual.message import Message
from textual.pilot import Pilot

from console.app.marks_shown import KnownMoment, ShownMark, shown_marks
from console.app.signs import ASCII, UNICODE, Signs
from console.app.state.kept import Mark
from console.app.themes import THEMES, variables
from console.app.widgets.marks_list import MarksList
from tests.console.app.widgets.lines import Rest, paused, typed
from tests.console.timeline.small_runs import HOSTILE

S = 10**9
MARKS = (Mark(2 * S, "cap jammed"), Mark(5 * S, ""), Mark(9 * S, "cap free"))


def shown(marks: Sequence[Mark] = MARKS) -> list[ShownMark]:
    return shown_marks(marks, KnownMoment(5 * S), lambda t: KnownMoment(t, 1_000_000), start_ns=0)


class MarksApp(App[None]):
    """The list over the rest of a screen."""

    def __init__(self, signs: Signs) -> None:
        super().__init__()
        self.signs = signs
        self.told: list[Message] = []
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = THEMES[0].name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=self.current_theme.dark)

    def compose(self) -> ComposeResult:
        yield Rest("above")
        yield MarksList(self.signs)

    def on_mount(self) -> None:
        self.query_one(Rest).focus()

    @property
    def list(self) -> MarksList:
        return self.query_one(MarksList)

    def hear(self, message: Message) -> None:
        if isinstance(message, MarksList.About | MarksList.Left) and message not in self.told:
            self.told.append(message)

    def lines(self) -> Sequence[str]:
        strips = self.screen._compositor.render_strips()
        return ["".join(strip.text).rstrip() for strip in strips]


Then = Callable[[MarksApp, Pilot[None]], Awaitable[None]]


def run_list(then: Then, size: tuple[int, int] = (80, 24), signs: Signs = UNICODE) -> MarksApp:
    app = MarksApp(signs)

    async def whole() -> None:
        async with app.run_test(size=size, message_hook=app.hear) as pilot:
            app.list.show(shown())
            await paused(pilot)
            await then(app, pilot)

    asyncio.run(whole())
    return app


def test_marks_stand_with_time_difference_and_note() -> None:
    lines: list[str] = []

    async def then(app: MarksApp, pilot: Pilot[None]) -> None:
        lines.extend(app.lines())

    run_list(then)
    row = next(line for line in lines if "cap jammed" in line)
    assert row.split() == ["1", "00:02.000", "-3.0000", "s", "±", "0.0010", "s", "cap", "jammed"]
    assert len(lines) == 24
    assert lines[0] == "above"


def test_on_a_wide_screen_the_one_before_is_told_too() -> None:
    lines: list[str] = []

    async def then(app: MarksApp, pilot: Pilot[None]) -> None:
        lines.extend(app.lines())

    run_list(then, size=(140, 45))
    row = next(line for line in lines if "cap free" in line)
    assert "4.0000 s ± 0.0020 s" in row
    assert "4.0000 s ± 0.0010 s" in row
    assert any("from the one before" in line for line in lines)


def test_enter_goes_to_the_mark_and_closes() -> None:
    async def then(app: MarksApp, pilot: Pilot[None]) -> None:
        await pilot.press("down", "enter")
        await paused(pilot)
        assert not app.list.is_open
        assert isinstance(app.screen.focused, Rest)

    told = run_list(then).told
    assert [(type(m), m.mark) for m in told if isinstance(m, MarksList.About)] == [
        (MarksList.Chosen, MARKS[1])
    ]


def test_delete_asks_for_the_mark_to_be_removed() -> None:
    async def then(app: MarksApp, pilot: Pilot[None]) -> None:
        await pilot.press("end", "delete")
        await paused(pilot)
        app.list.show(shown(MARKS[:2]))
        await paused(pilot)
        assert app.list.is_open
        assert app.list.mark == MARKS[1]

    told = run_list(then).told
    assert [m.mark for m in told if isinstance(m, MarksList.Removed)] == [MARKS[2]]


def test_n_edits_the_note() -> None:
    async def then(app: MarksApp, pilot: Pilot[None]) -> None:
        await pilot.press("n")
        await typed(pilot, " twice")
        await pilot.press("enter")
        await paused(pilot)
        assert app.list.is_open
        assert app.screen.focused is app.list.rows

    told = run_list(then).told
    assert [(m.mark, m.note) for m in told if isinstance(m, MarksList.Noted)] == [
        (MARKS[0], "cap jammed twice")
    ]


def test_escape_leaves_first_the_note_and_then_the_list() -> None:
    opened: list[bool] = []

    async def then(app: MarksApp, pilot: Pilot[None]) -> None:
        for keys in (("n", "escape"), ("escape",)):
            await pilot.press(*keys)
            await paused(pilot)
            opened.append(app.list.is_open)
        assert isinstance(app.screen.focused, Rest)

    assert [type(m) for m in run_list(then).told] == [MarksList.Left]
    assert opened == [True, False]


def test_an_empty_list_asks_for_nothing() -> None:
    async def then(app: MarksApp, pilot: Pilot[None]) -> None:
        app.list.show([])
        await pilot.press("enter", "delete", "n")
        await paused(pilot)
        assert app.list.is_open
        assert app.list.mark is None

    assert run_list(then).told == []


@pytest.mark.parametrize("size", [(80, 24), (140, 45)])
def test_it_can_be_drawn_in_ascii(size: tuple[int, int]) -> None:
    async def then(app: MarksApp, pilot: Pilot[None]) -> None:
        assert all(line.isascii() and len(line) <= size[0] for line in app.lines())

    run_list(then, size, ASCII)


def test_hostile_notes_are_cleaned() -> None:
    async def then(app: MarksApp, pilot: Pilot[None]) -> None:
        app.list.show(shown([Mark(k * S, text) for k, text in enumerate(HOSTILE)]))
        await pilot.press("n")
        await paused(pilot)
        assert all(line.isprintable() for line in app.lines())
        assert any("[red]camera[/red]" in line for line in app.lines())

    run_list(then)
