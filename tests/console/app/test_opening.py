"""Opening in the app: what is shown, told, stopped, kept."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from textual.pilot import Pilot

from console.app.app import LastackApp
from console.app.state.kept import Kept, Mark
from console.app.state.kept_file import KeptFile, encoded
from console.app.state.recent import read_recent
from console.app.state.request import Request
from console.app.state.settings import read_settings
from console.app.widgets.status import Status
from console.app.widgets.trouble import TroublePanel
from tests.console.app.runs_on_disk import LOG, small_run
from tests.console.app.screens.showing import played

PATIENCE = 600  # tenths of a second


async def until(pilot: Pilot[int], what: str) -> None:
    """Wait for an end of reading: "view", "start" or "trouble"."""
    app = pilot.app
    assert isinstance(app, LastackApp)
    holds: dict[str, Callable[[], bool]] = {
        "view": lambda: app.view is not None and app.progress is None,
        "start": lambda: app.current_mode == "start",
        "trouble": lambda: bool(app.troubles),
        "stopped": lambda: app.progress is not None and app.progress.stopped_at != "",
    }
    for _ in range(PATIENCE):
        if holds[what]():
            await pilot.pause()
            return
        await pilot.pause(0.1)
    raise AssertionError(f"{what} did not come: {app.current_mode} {app.progress} {app.troubles}")


@played
async def test_a_run_is_opened_shown_and_noted(tmp_path: Path, own_state: Path) -> None:
    bench = small_run(tmp_path)
    app = LastackApp(Request((bench,)), home=own_state)
    async with app.run_test() as pilot:
        began_with = app.current_mode
        await until(pilot, "view")
        assert (began_with, app.current_mode) == ("opening", "timeline")
        assert app.view is not None
        assert len(app.view.evidence.sources) == 2
        assert not app.is_loading
    assert [(run.name, run.paths) for run in read_recent(own_state)[0]] == [("cellar", (bench,))]


@played
async def test_keys_to_the_screens_work_only_once_there_is_a_run(tmp_path: Path) -> None:
    app = LastackApp(starts=True)
    async with app.run_test() as pilot:
        await pilot.press("1")
        assert app.current_mode == "start"


@played
async def test_an_error_in_the_bench_is_told_in_place_and_the_console_goes_on(
    tmp_path: Path, own_state: Path
) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text('[bench]\nname = "x"\n[[source]]\nname = "[/x] \x1b[31m"\nknid = "capture"\n')
    app = LastackApp(Request((str(bench),)), home=own_state)
    async with app.run_test(size=(120, 40)) as pilot:
        await until(pilot, "start")
        panel = app.screen.query_one(TroublePanel)
        shown, was_there = str(panel.render()), panel.display
        assert f"{bench}:" in shown
        assert "\x1b" not in shown
        await pilot.press("x")
        assert (was_there, panel.display) == (True, False)
    assert read_recent(own_state)[0] == []


@played
async def test_a_source_that_cannot_be_read_is_told_beside_the_others(tmp_path: Path) -> None:
    bad, good = tmp_path / "bad.csv", tmp_path / "board.log"
    bad.write_text("time,scl,sda\n0.1,1\n0.2,1\n")
    good.write_text(LOG)
    app = LastackApp(Request((str(bad), str(good))))
    async with app.run_test() as pilot:
        await until(pilot, "view")
        assert app.current_mode == "timeline"
        assert f"{bad}:2: " in app.troubles[0]
        assert app.screen.query_one(Status).display


@played
async def test_reading_is_stopped_by_a_key_and_what_came_is_shown_as_a_part(
    tmp_path: Path,
) -> None:
    pipe = tmp_path / "board.log"
    os.mkfifo(pipe)
    writer = os.open(pipe, os.O_RDWR)
    os.write(writer, LOG.encode())
    app = LastackApp(Request((str(pipe),)))
    async with app.run_test() as pilot:
        assert app.is_loading
        await pilot.press("x")
        await until(pilot, "stopped")
        assert app.view is not None
        assert app.view.evidence.interrupted
        assert "not the whole run" in str(app.screen.query_one("ProgressLine").render())
        await pilot.press("x")
        assert not app.screen.query_one(Status).display
    os.close(writer)


@played
async def test_leaving_while_a_pipe_stalls_takes_no_time(tmp_path: Path) -> None:
    pipe = tmp_path / "board.log"
    os.mkfifo(pipe)
    app = LastackApp(Request((str(pipe),)))
    async with app.run_test() as pilot:
        await pilot.press("q")
    assert app.return_code == 0
    assert app.loader is not None
    assert app.loader.join(10)


@played
async def test_what_is_kept_is_on_disk_before_the_console_ends(
    tmp_path: Path, own_state: Path
) -> None:
    bench = small_run(tmp_path)
    app = LastackApp(Request((bench,)), home=own_state)
    async with app.run_test() as pilot:
        await until(pilot, "view")
        app.kept.marks.append(Mark(3, "here"))
        app.keep()
        app.kept.filter = "t_ns > 5"
        app.keep()
    found, remark = KeptFile.of([bench], own_state).read()
    assert (found.marks, found.filter, remark) == ([Mark(3, "here")], "t_ns > 5", "")
    assert (tmp_path / "bench.lastack.json").exists()


@played
async def test_what_was_kept_is_there_again(tmp_path: Path, own_state: Path) -> None:
    bench = small_run(tmp_path)
    KeptFile.of([bench], own_state).write(encoded(Kept(marks=[Mark(3, "here")])))
    app = LastackApp(Request((bench,)), home=own_state)
    async with app.run_test() as pilot:
        await until(pilot, "view")
        assert app.kept.marks == [Mark(3, "here")]


@played
async def test_a_broken_state_file_is_told_and_stops_nothing(
    tmp_path: Path, own_state: Path
) -> None:
    bench = small_run(tmp_path)
    (tmp_path / "bench.lastack.json").write_text('{"schema": 99}')
    app = LastackApp(Request((bench,)), home=own_state)
    async with app.run_test() as pilot:
        await until(pilot, "view")
        (told,) = app.troubles
        assert "of another version (schema 99); set aside as bench.lastack.json.aside" in told
        assert "\n" not in told


@played
async def test_another_run_takes_the_place_of_the_one_that_is_open(
    tmp_path: Path, own_state: Path
) -> None:
    other = tmp_path / "other.log"
    other.write_text(LOG)
    app = LastackApp(Request((small_run(tmp_path),)), home=own_state)
    async with app.run_test() as pilot:
        await until(pilot, "view")
        app.kept.marks.append(Mark(3))
        await app.open(Request((str(other),)))
        await until(pilot, "view")
        assert app.view is not None
        assert [source.name for source in app.view.evidence.sources] == ["other"]
        assert app.kept.marks == []
    assert [run.name for run in read_recent(own_state)[0]] == ["other.log", "cellar"]


@played
async def test_decisions_change_the_clocks_when_they_are_settled_again(tmp_path: Path) -> None:
    app = LastackApp(Request((small_run(tmp_path),)))
    async with app.run_test() as pilot:
        await until(pilot, "view")
        before = app.view
        app.settle_again()
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert app.view is not None
        assert app.view is not before


@played
async def test_the_theme_is_remembered(own_state: Path) -> None:
    app = LastackApp(starts=True, home=own_state)
    async with app.run_test() as pilot:
        app.theme = "orchard"
        await pilot.pause()
    assert read_settings(own_state).theme == "orchard"
    assert LastackApp(starts=True, home=own_state).theme == "orchard"


def test_without_colour_the_theme_is_the_one_that_draws_none(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    assert LastackApp(starts=True).theme == "ansi-dark"


@played
async def test_without_a_state_directory_nothing_is_written(tmp_path: Path) -> None:
    bench = small_run(tmp_path)
    before = sorted(os.listdir(tmp_path))
    app = LastackApp(Request((bench,)))
    async with app.run_test() as pilot:
        await until(pilot, "view")
        app.keep()
    assert sorted(os.listdir(tmp_path)) == before
