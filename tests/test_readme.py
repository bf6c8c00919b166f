"""README says what is true: its commands are one line each, and its output is the program's."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from console.bench.load import load_bench
from console.pipeline.recording_sources import is_live

README = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")


def block(mark: str) -> str:
    """The fenced block after a mark."""
    found = re.search(rf"<!-- {mark} -->\n```\w*\n(.*?)```", README, re.DOTALL)
    assert found is not None
    return found[1]


def test_the_output_shown_is_the_demo_s_output() -> None:
    run = subprocess.run(
        [sys.executable, "-m", "console.cli", "demo"], capture_output=True, text=True, check=False
    )
    assert block("demo output") == "$ lastack demo\n" + run.stdout


@pytest.mark.parametrize("mark", ["demo command", "test command"])
def test_each_command_is_one_line(mark: str) -> None:
    assert block(mark).count("\n") == 1


def test_the_bench_that_is_recorded_is_one() -> None:
    bench = load_bench(block("recorded bench"), "bench.toml")
    assert [is_live(source) for source in bench.sources] == [True, True]
    assert [rule.__struct_config__.tag for rule in bench.rules] == ["cadence"]


def test_the_job_stands_in_one_paragraph_at_the_top() -> None:
    title, paragraph = README.split("\n\n")[:2]
    assert title == "# lastack"
    assert paragraph.startswith("`lastack` tells an engineer which part of a bench stopped")
