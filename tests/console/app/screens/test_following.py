"""The timeline over a run that is recorded meanwhile."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from textual.pilot import Pilot

from console.app.app import LastackApp
from console.app.screens.timeline import TimelineScreen
from console.app.state.request import Request
from console.app.timeline.rows import TimelineRows
from tests.console.app.growing_runs import APART_NS, Growing, text_of, until, until_so
from tests.console.app.screens.showing import played


@asynccontextmanager
async def opened(
    growing: Growing, size: tuple[int, int] = (100, 30)
) -> AsyncIterator[tuple[LastackApp, Pilot[int]]]:
    """The console on a run."""
    app = LastackApp(Request((str(growing.folder),)))
    async with app.run_test(size=size, notifications=True) as pilot:
        yield app, pilot
        growing.writer.close()
        app.leave()
        assert app.loader is not None
        assert app.loader.join(60.0)


def timeline(app: LastackApp) -> TimelineScreen:
    assert isinstance(app.screen, TimelineScreen)
    return app.screen


def chosen(app: LastackApp) -> str:
    """The words of the event on which the user stands."""
    event = timeline(app).query_one(TimelineRows).event
    assert app.view is not None
    assert event is not None
    return app.view.words(event)


@played
async def test_the_newest_line_is_shown_as_it_comes(tmp_path: Path) -> None:
    growing = Growing(tmp_path)
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 100")
        growing.print_lines(20)
        screen = await until(pilot, app, "poll 120")
        assert "following the newest events" in screen
        assert chosen(app) == "poll 120"


@played
async def test_a_move_ends_following_and_the_place_stays(tmp_path: Path) -> None:
    growing = Growing(tmp_path)
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 100")
        await pilot.press("up", "up")
        await until(pilot, app, "not following any more")
        place = chosen(app)
        growing.print_lines(20)
        await pilot.pause(1.5)
        assert chosen(app) == place == "poll 98"
        assert "poll 120" not in text_of(app)


@played
async def test_the_key_goes_to_the_newest_events_and_stays_with_them(tmp_path: Path) -> None:
    growing = Growing(tmp_path)
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 100")
        await pilot.press("home")
        await until(pilot, app, "not following any more")
        growing.print_lines(20)
        await pilot.press("F")
        await until(pilot, app, "poll 120")
        growing.print_lines(20)
        await until(pilot, app, "poll 140")
        await pilot.press("F")
        await until(pilot, app, "not following any more")


@played
async def test_a_move_just_before_a_new_view_is_no_less_a_move(tmp_path: Path) -> None:
    growing = Growing(tmp_path)
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 100")
        screen, view = timeline(app), app.view
        assert view is not None
        rows = screen.query_one(TimelineRows)
        rows.action_move(-3)
        screen.show(view)  # before the screen has heard of the move
        await pilot.pause()
        assert not screen.follows
        assert chosen(app) == "poll 97"


@played
async def test_following_goes_on_in_every_depth(tmp_path: Path) -> None:
    growing = Growing(tmp_path)
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 100")
        await pilot.press("escape")
        growing.print_lines(20)
        await until_so(pilot, lambda: chosen(app) == "poll 120")
        assert timeline(app).query_one(TimelineRows).depth == "minutes"
        assert timeline(app).follows


@played
async def test_a_filter_holds_for_what_comes(tmp_path: Path) -> None:
    growing = Growing(tmp_path)
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 100")
        app.kept.filter = "text LIKE 'heap%'"
        growing.print_lines(3, b"heap")
        growing.print_lines(3)
        await until(pilot, app, "heap 103")
        screen = await until(pilot, app, "filter: text LIKE 'heap%'")
        assert "poll" not in screen


@played
async def test_beyond_what_is_here_the_run_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import console.pipeline.run_window as window

    part_around, tail = window.part_around, window.RunTail.__init__
    monkeypatch.setattr(window, "part_around", lambda run, t_ns: part_around(run, t_ns, 300))
    monkeypatch.setattr(
        window.RunTail,
        "__init__",
        lambda self, run, happened: tail(self, run, 300, happened),
    )
    growing = Growing(tmp_path, before=3000)
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 3000")
        assert app.view is not None
        assert len(app.view.events) <= 302
        timeline(app).go_to(growing.start_ns + 1000 * APART_NS, None)
        await until(pilot, app, "poll 1000")
        view = app.view
        await pilot.press("home")  # the first event that is here, and not of the run
        await until_so(pilot, lambda: app.view is not view)
        await pilot.press("up", "up", "up")
        assert int(chosen(app).split()[1]) < int(view.words(0).split()[1])
        await pilot.press("F")
        await until(pilot, app, "poll 3000")


@played
async def test_a_finding_is_told_on_whatever_screen_and_its_words_are_cleaned(
    tmp_path: Path,
) -> None:
    growing = Growing(tmp_path)
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 100")
        await pilot.press("4")
        growing.raise_finding("[red]silent[/x]\x1b[31m")
        await until(pilot, app, "[red]silent[/x]␛[31m")


@played
async def test_a_run_of_files_has_nothing_to_follow(tmp_path: Path) -> None:
    growing = Growing(tmp_path)
    growing.writer.close()
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 1")
        assert timeline(app).check_action("follow", ()) is False
        assert app.check_action("switch_to", ("recording",)) is False


@played
async def test_a_large_run_that_is_over_opens_at_its_end(tmp_path: Path) -> None:
    growing = Growing(tmp_path)
    growing.writer.close()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("console.app.following.WHOLE_RECORDS", 50)
        async with opened(growing) as (app, pilot):
            screen = await until(pilot, app, "poll 100")
            assert "follow" not in screen.replace("F Follow", "")


@played
async def test_a_large_run_that_is_over_opens_at_its_story(tmp_path: Path) -> None:
    growing = Growing(tmp_path, before=50)
    growing.raise_finding()
    place_ns = growing.now_ns
    growing.print_lines(200)
    growing.writer.close()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("console.app.following.WHOLE_RECORDS", 50)
        async with opened(growing) as (app, pilot):
            await until(pilot, app, "polls: nothing has come")
            rows = timeline(app).query_one(TimelineRows)
            await until_so(pilot, lambda: abs(rows.place_ns - place_ns) < APART_NS)
