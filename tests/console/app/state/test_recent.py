from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec

from console.app.state.recent import MOST, RecentRun, note_opened, read_recent
from console.app.state.request import Request

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


def run_of(name: str, minute: int = 0) -> RecentRun:
    return RecentRun.of(Request((f"/runs/{name}",)), name, NOON + timedelta(minutes=minute))


def test_the_newest_stands_first_and_every_run_once(tmp_path: Path) -> None:
    for minute, name in enumerate(("a", "b", "a")):
        assert note_opened(tmp_path, run_of(name, minute)) == ""
    runs, remark = read_recent(tmp_path)
    assert [run.name for run in runs] == ["a", "b"]
    assert (runs[0].opened, remark) == (NOON + timedelta(minutes=2), "")


def test_no_more_than_twenty_are_kept(tmp_path: Path) -> None:
    for k in range(MOST + 3):
        note_opened(tmp_path, run_of(f"run-{k}"))
    runs, _ = read_recent(tmp_path)
    assert [run.name for run in runs] == [f"run-{k}" for k in range(MOST + 2, 2, -1)]


def test_what_was_said_beside_the_paths_is_said_again(tmp_path: Path) -> None:
    said = {"i2c": ("scl=a,sda=b",), "clock": (), "packets": "/p.toml", "threshold": 1.2}
    note_opened(tmp_path, RecentRun.of(Request(("/w.csv",), said), "w", NOON))
    again = read_recent(tmp_path)[0][0].request
    assert again.paths == ("/w.csv",)
    assert again.overrides == {"i2c": ("scl=a,sda=b",), "packets": "/p.toml", "threshold": 1.2}


def test_paths_are_kept_whole_whatever_folder_they_were_given_from(tmp_path: Path) -> None:
    run = RecentRun.of(Request(("w.csv",), {"rules": "r.toml"}), "w", NOON)
    assert run.paths == (str(Path.cwd() / "w.csv"),)
    assert run.rules == str(Path.cwd() / "r.toml")


def test_what_is_gone_is_told(tmp_path: Path) -> None:
    there = tmp_path / "there.csv"
    there.touch()
    run = RecentRun.of(Request((str(there), str(tmp_path / "gone.csv"))), "x", NOON)
    assert run.missing == [str(tmp_path / "gone.csv")]


def test_a_broken_list_is_set_aside_and_begun_anew(tmp_path: Path) -> None:
    (tmp_path / "recent.json").write_bytes(
        msgspec.json.encode({"schema": 1, "runs": [{"name": "x", "paths": [], "opened": "now"}]})
    )
    runs, remark = read_recent(tmp_path)
    assert runs == []
    assert "set aside as recent.json.aside" in remark
    assert note_opened(tmp_path, run_of("a")) == ""
