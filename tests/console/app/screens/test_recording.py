from __future__ import annotations

from pathlib import Path

from console.app.screens.recording import RecordingScreen
from console.app.screens.timeline import TimelineScreen
from console.app.timeline.rows import TimelineRows
from tests.console.app.growing_runs import Growing, text_of, until, until_so
from tests.console.app.screens.showing import played
from tests.console.app.screens.test_following import opened


@played
async def test_sources_store_rules_and_disk_stand_on_one_screen(tmp_path: Path) -> None:
    growing = Growing(tmp_path / "soak")
    async with opened(growing, (80, 24)) as (app, pilot):
        await until(pilot, app, "poll 100")
        await pilot.press("6")
        screen = await until(pilot, app, "1 of 2 sources open")
        for words in (
            "is being recorded", "102 records", "nothing found", "free",
            "controller open", "/dev/ttyUSB0", "broker     waiting", "nothing listens there",
            "Nothing was found yet.",
        ):  # fmt: skip
            assert words in screen


@played
async def test_what_comes_changes_the_screen(tmp_path: Path) -> None:
    growing = Growing(tmp_path / "soak")
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 100")
        await pilot.press("6")
        growing.print_lines(50)
        await until(pilot, app, "152 records")
        growing.raise_finding("polls: nothing has come for 2 s")
        screen = await until(pilot, app, "1 finding, 1 fault")
        assert "fault " in screen


@played
async def test_a_key_leads_to_the_newest_finding(tmp_path: Path) -> None:
    growing = Growing(tmp_path / "soak")
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 100")
        raised = growing.raise_finding()
        growing.print_lines(20)
        await pilot.press("6")
        await until(pilot, app, "1 finding, 1 fault")
        await pilot.press("n")
        await until_so(pilot, lambda: isinstance(app.screen, TimelineScreen))
        rows = app.screen.query_one(TimelineRows)
        await until_so(pilot, lambda: rows.place_ns == raised.t_ns)
        growing.print_lines(20)
        await pilot.pause(1.5)
        assert rows.place_ns == raised.t_ns  # and there it stays


@played
async def test_the_end_of_the_recording_is_said(tmp_path: Path) -> None:
    growing = Growing(tmp_path / "soak")
    async with opened(growing) as (app, pilot):
        await until(pilot, app, "poll 100")
        await pilot.press("6")
        await until(pilot, app, "is being recorded")
        growing.writer.close()
        await until(pilot, app, "was recorded")
        assert "0 of 2 sources open" in text_of(app)


@played
async def test_it_is_drawn_in_ascii_alone_where_that_is_asked_for(tmp_path: Path) -> None:
    growing = Growing(tmp_path / "soak")
    async with opened(growing) as (app, pilot):
        app.ascii_only = True
        await until(pilot, app, "poll 100")
        await pilot.press("6")
        await until(pilot, app, "1 of 2 sources open")
        assert isinstance(app.screen, RecordingScreen)
        assert all(
            strip.text.isascii()
            for widget in app.screen.query("RecordingLines, SourceList, #newest")
            for strip in widget.render_lines(widget.size.region)
        )
