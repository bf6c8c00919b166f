from __future__ import annotations

from pathlib import Path

from textual.app import App, ComposeResult

from console.app.themes import variables
from console.app.widgets.path_input import PathInput
from tests.console.app.screens.showing import played


class Alone(App[None]):
    """The widget and what it asks for."""

    def __init__(self) -> None:
        super().__init__()
        self.chosen: list[tuple[str, ...]] = []
        self.refused: list[str] = []

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=True)

    def compose(self) -> ComposeResult:
        yield PathInput()

    def on_path_input_chosen(self, message: PathInput.Chosen) -> None:
        self.chosen.append(message.paths)

    def on_path_input_refused(self, message: PathInput.Refused) -> None:
        self.refused.append(message.why)


@played
async def test_tab_completes_and_enter_chooses(tmp_path: Path) -> None:
    (tmp_path / "night shift.csv").touch()
    app = Alone()
    async with app.run_test() as pilot:
        line = app.query_one(PathInput).line
        line.value = f"{tmp_path}/ni"
        line.cursor_position = len(line.value)
        await pilot.press("tab")
        while not line.value.endswith(".csv"):
            await pilot.pause(0.02)
        await pilot.press("enter")
        await pilot.pause()
    assert app.chosen == [(f"{tmp_path}/night shift.csv",)]


@played
async def test_what_may_follow_is_shown_harmlessly(tmp_path: Path) -> None:
    for name in ("a[red].csv", "a\x1b[31m.csv"):
        (tmp_path / name).touch()
    app = Alone()
    async with app.run_test() as pilot:
        app.query_one(PathInput).line.value = f"{tmp_path}/a"
        while not (shown := str(app.query_one(".names").render())):
            await pilot.pause(0.02)
    assert sorted(shown.split("  ")) == ["a[red].csv", "a␛[31m.csv"]


@played
async def test_an_open_quotation_is_refused_in_place() -> None:
    app = Alone()
    async with app.run_test() as pilot:
        app.query_one(PathInput).line.value = "'a.csv"
        await pilot.press("enter")
        await pilot.pause()
    assert (app.chosen, app.refused) == ([], ["a quotation mark is not closed"])


@played
async def test_an_empty_line_asks_for_nothing() -> None:
    app = Alone()
    async with app.run_test() as pilot:
        await pilot.press("enter")
        await pilot.pause()
    assert (app.chosen, app.refused) == ([], [])
