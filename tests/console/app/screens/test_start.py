"""The start screen, played on."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import OptionList

from console.app.app import LastackApp
from console.app.screens.start import ago, recent_row
from console.app.signs import ASCII
from console.app.state.recent import RecentRun, note_opened
from console.app.state.request import Request
from tests.console.app.runs_on_disk import small_run
from tests.console.app.screens.showing import played, screen_text
from tests.console.app.test_opening import until

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-5, "just now"),
        (59, "just now"),
        (60, "1 min ago"),
        (7_300, "2 h ago"),
        (90_000, "1 d ago"),
    ],
)
def test_how_long_ago_is_said_in_one_unit(seconds: int, words: str) -> None:
    assert ago(NOON - timedelta(seconds=seconds), NOON) == words


def test_a_row_says_name_place_and_when() -> None:
    run = RecentRun("cellar", ("/runs/bench.toml", "/runs/a.csv"), NOON)
    words = recent_row(run, [], NOON, ASCII).plain
    assert words.split() == ["cellar", "bench.toml", "+1", "/runs", "just", "now"]


def test_a_row_says_what_is_not_there_any_more() -> None:
    run = RecentRun("cellar", ("/runs/bench.toml",), NOON)
    assert "o not there: bench.toml" in recent_row(run, ["/runs/bench.toml"], NOON, ASCII).plain


def test_names_from_outside_are_only_shown() -> None:
    run = RecentRun("[/x]\x1b[31m", ("/\x00/\u202ea.csv",), NOON)
    assert recent_row(run, [], NOON, ASCII).plain.isprintable()


async def filled(pilot: Pilot[int]) -> None:
    """Wait until the list is read and drawn."""
    await when(pilot, lambda: pilot.app.screen.query_one("#runs", OptionList).option_count > 0)


async def when(pilot: Pilot[int], holds: Callable[[], bool]) -> None:
    """Wait until something holds."""
    for _ in range(600):
        if holds():
            break
        await pilot.pause(0.05)
    await pilot.pause()
    assert holds()


@played
async def test_without_anything_opened_it_offers_the_demo(own_state: Path) -> None:
    app = LastackApp(starts=True, home=own_state)
    async with app.run_test() as pilot:
        await filled(pilot)
        shown = screen_text(app)
        await pilot.press("enter")
        await when(pilot, lambda: app.request is not None)
        opened = app.request
        await pilot.press("q")
    assert "or look around" in shown
    assert opened is not None
    assert opened.is_demo


@played
async def test_the_run_opened_last_is_one_key_away(tmp_path: Path, own_state: Path) -> None:
    bench = small_run(tmp_path)
    note_opened(own_state, RecentRun.of(Request((bench,)), "cellar", NOON))
    app = LastackApp(starts=True, home=own_state)
    async with app.run_test() as pilot:
        await filled(pilot)
        await pilot.press("enter")
        await until(pilot, "view")
        assert app.view is not None
        assert app.view.evidence.name == "cellar"


@played
async def test_a_missing_file_is_told_in_place_and_the_line_stays(own_state: Path) -> None:
    app = LastackApp(starts=True, home=own_state)
    async with app.run_test() as pilot:
        await filled(pilot)
        await pilot.press("o", *"/nowhere/a.csv", "enter")
        await until(pilot, "trouble")
        await until(pilot, "start")
        await filled(pilot)
        shown = screen_text(app)
    assert "/nowhere/a.csv: no such file" in shown
    assert "There is no directory '/nowhere' either." in shown
    assert shown.count("/nowhere/a.csv") == 2


@played
async def test_the_keyboard_is_no_recording(own_state: Path) -> None:
    app = LastackApp(starts=True, home=own_state)
    async with app.run_test() as pilot:
        await filled(pilot)
        await pilot.press("o", "-", "enter")
        await until(pilot, "trouble")
        assert "standard input is the keyboard here" in app.troubles[0]
        assert app.request is None


@played
async def test_a_broken_list_is_told_and_begun_anew(own_state: Path) -> None:
    own_state.mkdir(parents=True)
    (own_state / "recent.json").write_text("[]")
    app = LastackApp(starts=True, home=own_state)
    async with app.run_test() as pilot:
        await until(pilot, "trouble")
        assert "set aside as recent.json.aside" in app.troubles[0]


@played
async def test_escape_leads_back_to_the_run_that_is_open(tmp_path: Path, own_state: Path) -> None:
    app = LastackApp(Request((small_run(tmp_path),)), home=own_state)
    modes = []
    async with app.run_test() as pilot:
        await until(pilot, "view")
        await pilot.press("ctrl+o")
        await filled(pilot)
        modes.append(app.current_mode)
        await pilot.press("escape")
        await when(pilot, lambda: app.current_mode != "start")
        modes.append(app.current_mode)
    assert modes == ["start", "timeline"]


@pytest.mark.parametrize("size", [(80, 24), (140, 45), (250, 70)])
@played
async def test_it_fits_any_terminal_with_a_full_list(
    size: tuple[int, int], own_state: Path
) -> None:
    for k in range(25):
        name = f"瓶 line {k} " + "x" * 60
        note_opened(own_state, RecentRun.of(Request((f"/runs/{k}/bench.toml",)), name, NOON))
    app = LastackApp(starts=True, home=own_state)
    async with app.run_test(size=size) as pilot:
        await filled(pilot)
        shown = screen_text(app)
    assert "lastack" in shown
    assert "o Open a file" in shown
    assert "瓶 line 24" in shown


@played
async def test_in_ascii_every_character_is(own_state: Path) -> None:
    app = LastackApp(starts=True, home=own_state, ascii_only=True)
    async with app.run_test() as pilot:
        await filled(pilot)
        own = screen_text(app).split("\n")[:-1]  # the last line is the toolkit's footer
    assert "\n".join(own).isascii()
