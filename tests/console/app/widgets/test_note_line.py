"""The line that asks for a note."""

from __future__ import annotations

from textual.app import App, ComposeResult
from textual.widgets import Input

from console.app.themes import variables
from console.app.widgets.note_line import NoteLine
from tests.console.app.screens.showing import played


class Shown(App[None]):
    """One line."""

    def __init__(self) -> None:
        super().__init__()
        self.told: list[str | None] = []

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=True)

    def compose(self) -> ComposeResult:
        yield NoteLine()

    def on_note_line_given(self, message: NoteLine.Given) -> None:
        self.told.append(message.note)

    def on_note_line_left(self, _message: NoteLine.Left) -> None:
        self.told.append(None)


@played
async def test_enter_gives_the_note_without_blanks_around_it() -> None:
    app = Shown()
    async with app.run_test() as pilot:
        line = app.query_one(NoteLine)
        line.ask("why [b]not[/b]")
        await pilot.press("space", *"yes", "space", "enter")
        assert (app.told, line.is_open) == (["yes"], False)


@played
async def test_a_note_that_is_there_is_written_on() -> None:
    app = Shown()
    async with app.run_test() as pilot:
        app.query_one(NoteLine).ask("why", "seen")
        await pilot.press("exclamation_mark", "enter")
        assert app.told == ["seen!"]


@played
async def test_escape_leaves_without_one() -> None:
    app = Shown()
    async with app.run_test() as pilot:
        line = app.query_one(NoteLine)
        line.ask("why")
        await pilot.press("n", "escape")
        assert (app.told, line.is_open) == ([None], False)


@played
async def test_a_note_has_an_end() -> None:
    app = Shown()
    async with app.run_test():
        line = app.query_one(NoteLine)
        line.ask("why", "a" * 9_000)
        assert app.query_one(Input).max_length == 500
