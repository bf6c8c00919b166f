from __future__ import annotations

from pathlib import Path

import pytest

from console.bench.load import read_bench
from console.pipeline.recording_sources import live_sources, unrecorded
from decoders.errors import DiagnosticError

BENCH = """
[[source]]
name = "controller"
kind = "prints"
port = "loop://"
required = true

[[source]]
name = "broker"
kind = "messages"
host = "localhost"

[[source]]
name = "wire"
kind = "capture"
folder = "exports"

[[source]]
name = "old log"
kind = "prints"
path = "old.log"
"""


def bench(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(text, "utf-8")
    return path


def test_ports_brokers_and_folders_are_recorded_and_files_are_not(tmp_path: Path) -> None:
    file = read_bench(bench(tmp_path, BENCH))
    found = live_sources(file, "bench.toml", lambda _source, _path: None)
    states = [live.source.state() for live in found]
    assert [(state.name, state.kind, state.state) for state in states] == [
        ("controller", "prints", "opening"),
        ("broker", "messages", "opening"),
        ("wire", "capture", "opening"),
    ]
    assert [live.required for live in found] == [True, False, False]
    assert unrecorded(file) == ["old log"]


def test_a_bench_without_anything_to_record_is_refused(tmp_path: Path) -> None:
    text = '[[source]]\nname = "old log"\nkind = "prints"\npath = "old.log"\n'
    with pytest.raises(DiagnosticError, match="nothing to record") as told:
        live_sources(read_bench(bench(tmp_path, text)), "bench.toml", lambda _s, _p: None)
    assert str(told.value.place) == "bench.toml"
    assert 'port = "/dev/ttyUSB0"' in told.value.mend
