"""`lastack new`: a bench file that loads and finds the same."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

Lastack = Callable[..., "CompletedProcess[str]"]


def test_the_starter_loads_and_finds_the_same_stop(
    lastack: Lastack, short_run: Path, tmp_path: Path
) -> None:
    names = ("wire.csv.gz", "controller.log", "broker.jsonl.gz")
    bench = tmp_path / "bench.toml"
    made = lastack("new", *(short_run / name for name in names), "-o", bench)
    report = json.loads(lastack("check", bench, "--json").stdout)
    stops = [
        f["evidence"]["address"]
        for f in report["findings"]
        if f["rule"] == "stops-answering" and f["severity"] == "fault"
    ]
    assert (made.returncode, made.stdout) == (0, "")
    assert stops == [0x2E]


def test_a_file_that_is_there_is_not_written_over(
    lastack: Lastack, short_run: Path, tmp_path: Path
) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text("mine")
    run = lastack("new", short_run / "wire.csv.gz", "-o", bench)
    assert run.returncode == 2
    assert "there already" in run.stderr
    assert bench.read_text() == "mine"
