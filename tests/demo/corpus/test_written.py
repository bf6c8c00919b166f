"""Labelled runs as folders."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from captures_demo.simulator.corpus import labelled, write_labelled
from captures_demo.simulator.corpus.__main__ import main
from captures_demo.simulator.corpus.writing import coarse
from tests.demo.corpus.evidence import run_of


def test_a_folder_has_what_its_bench_file_names_and_no_label(tmp_path: Path) -> None:
    run = run_of("orphaned-read").labelled
    path = write_labelled(run, tmp_path / "case")
    bench = tomllib.loads(path.read_text("utf-8"))
    named = {source["path"] for source in bench["source"]}
    assert named | {"bench.toml"} == {file.name for file in path.parent.iterdir()}
    assert not any(b"orphan" in file.read_bytes() for file in path.parent.iterdir())


@pytest.mark.parametrize("kind", ["prints", "messages", "capture"])
def test_a_source_that_is_left_out_is_neither_there_nor_named(kind: str, tmp_path: Path) -> None:
    run = run_of("orphaned-read").labelled
    path = write_labelled(run, tmp_path, without={kind})
    bench = tomllib.loads(path.read_text("utf-8"))
    kinds = {source["kind"] for source in bench["source"]}
    assert kinds == {"capture", "prints", "messages"} - {kind}
    assert len(list(tmp_path.iterdir())) == 3
    assert ("bus" in bench) == (kind != "capture")


def test_a_coarser_capture_has_samples_further_apart_and_the_same_lines() -> None:
    run = run_of("orphaned-read").run
    fine, half = run.recorded(), coarse(run, 2).recorded()
    assert half.sample_rate_hz == (fine.sample_rate_hz or 0) // 2
    assert half.channels == fine.channels
    assert abs(len(half.t_ns) - len(fine.t_ns)) < len(fine.t_ns) // 2
    assert run.recorded() is fine


def test_the_command_writes_a_run_and_says_its_label_apart(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["deaf-target", "2", "-o", str(tmp_path), "--without", "messages"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["cause"] == "deaf-target"
    assert said["first_wrong_ns"] == labelled("deaf-target", 2).truth.first_wrong_ns
    assert sorted(file.suffix for file in tmp_path.iterdir())[-1] == ".toml"


def test_impossible_wishes_are_refused(tmp_path: Path) -> None:
    run = run_of("orphaned-read").labelled
    with pytest.raises(ValueError, match="cannot leave out"):
        write_labelled(run, tmp_path, without={"capture", "prints", "messages"})
    with pytest.raises(ValueError, match="cannot sample 0 times as coarse"):
        write_labelled(run, tmp_path, coarser=0)


def test_the_corpus_loads_neither_decoders_nor_console() -> None:
    code = "import sys, captures_demo.simulator.corpus; print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[3],
    ).stdout.split()
    assert not [name for name in loaded if name.split(".")[0] in ("decoders", "console")]
