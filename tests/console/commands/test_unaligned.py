"""Sources that nothing ties together: shown beside one another, and never compared."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

Lastack = Callable[..., "CompletedProcess[str]"]

BENCH = """
[[source]]
name = "log"
kind = "prints"
path = "a.log"
[[source]]
name = "broker"
kind = "messages"
path = "m.jsonl"
[[rule]]
kind = "reply-within"
name = "asked"
request_table = "prints"
reply_table = "messages"
within = "1 s"
"""


def folder_of(tmp_path: Path) -> Path:
    log = [f"[{k}000] I ask" for k in range(60)]
    messages = [{"t": 1_700_000_000 + k, "topic": "a", "payload": "b"} for k in range(30)]
    (tmp_path / "a.log").write_text("\n".join(log) + "\n")
    (tmp_path / "m.jsonl").write_text("".join(json.dumps(row) + "\n" for row in messages))
    (tmp_path / "bench.toml").write_text(BENCH)
    return tmp_path


def test_a_source_without_a_tie_does_not_lengthen_the_run(lastack: Lastack, tmp_path: Path) -> None:
    run = lastack("check", folder_of(tmp_path) / "bench.toml", "--json")
    report = json.loads(run.stdout)
    assert (report["start_ns"], report["end_ns"]) == (0, 59_000_000_000)
    spans = {s["name"]: (s["first_ns"], s["last_ns"]) for s in report["sources"]}
    assert spans["broker"] == (0, 29_000_000_000)


def test_a_reply_across_unaligned_clocks_is_not_called_lost(
    lastack: Lastack, tmp_path: Path
) -> None:
    run = lastack("check", folder_of(tmp_path) / "bench.toml")
    assert run.returncode == 0
    assert "asked: not observable whether 60 of 60 requests were answered" in run.stdout
    assert "not aligned, no value ties it to another source" in run.stdout


def test_lines_after_a_restart_do_not_mix_with_those_before(
    lastack: Lastack, tmp_path: Path
) -> None:
    path = tmp_path / "a.log"
    before = [f"[{k}000] I tick" for k in range(60)]
    after = [f"[{k}001] I boot" for k in range(20)]
    path.write_text("\n".join(before + after) + "\n")
    rows = lastack("export", path, "--table", "prints").stdout.splitlines()
    run = lastack("check", path)
    assert [json.loads(row)["text"][2:] for row in rows] == ["tick"] * 60 + ["boot"] * 20
    assert "went back 1 time, as after a restart, first at 00:59.000" in run.stdout
    assert "1 of 2 stretches between restarts not aligned" in run.stdout


def test_a_short_capture_has_times_of_its_own_size(lastack: Lastack, tmp_path: Path) -> None:
    path = tmp_path / "wire.csv"
    path.write_text("time_ns,scl,sda\n0,1,1\n1000,1,0\n2000,0,0\n412500,0,0\n")
    run = lastack("check", path)
    assert "00:00.000000000 to 00:00.000412500  the axis" in run.stdout
