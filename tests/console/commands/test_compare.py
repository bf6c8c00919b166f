"""`lastack compare` as a user meets it, on runs of the cap line whose camera dies of a count."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import captures_demo
from captures_demo.simulator.cap_line_plan import SHORT
from captures_demo.simulator.make import files
from captures_demo.simulator.writers.files import write
from tests.console.commands.conftest import Lastack

# Forty replies each. One run polls twice as fast; one ends before its camera would die.
RUNS = {
    "monday": replace(SHORT, nack_run=0, seed=1),
    "tuesday": replace(SHORT, nack_run=0, seed=2),
    "wednesday": replace(SHORT, nack_run=0, seed=3, poll_ns=500_000_000),
    "mended": replace(SHORT, nack_run=0, seed=4, answers=60, polls_after=1),
}


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of runs, each with its bench file."""
    folder = tmp_path_factory.mktemp("compared")
    shipped = Path(captures_demo.__file__).parent / "cap_line"
    for name, plan in RUNS.items():
        (folder / name).mkdir()
        for file, pieces in files(plan).items():
            write(folder / name / file, pieces)
        for file in ("bench.toml", "camera.packets.toml"):
            shutil.copy(shipped / file, folder / name)
    return folder


def paths(*names: str) -> list[str]:
    return [f"{name}/bench.toml" for name in names]


def test_one_doubled_rate_tells_the_count(lastack: Lastack, runs: Path) -> None:
    done = lastack("compare", *paths("monday", "tuesday", "wednesday"), cwd=runs)
    assert (done.returncode, done.stderr) == (1, "")
    assert done.stdout.splitlines()[:7] == [
        "camera: 3 lives in 3 runs, 3 failed, 0 had not ended",
        "",
        "run                   counted from  ended          after  polls  transactions  "
        "nearest power of two",
        "monday/bench.toml     boot          address-nack  39.6 s     40            80  "
        "              32 + 8",
        "tuesday/bench.toml    boot          address-nack  39.6 s     40            80  "
        "              32 + 8",
        "wednesday/bench.toml  boot          address-nack  20.1 s     40            80  "
        "              32 + 8",
        "",
    ]
    assert (
        "It stops after a count: 40 polls, in each of 3 lives; the time it took went from 20.1 s "
        "to 39.6 s." in done.stdout
    )
    assert "To believe a fix it must be seen to run past 44 polls." in done.stdout


def test_two_at_one_rate_are_refused_a_verdict(lastack: Lastack, runs: Path) -> None:
    done = lastack("compare", *paths("monday", "tuesday"), "--json", cwd=runs)
    told = json.loads(done.stdout)["verdict"]
    assert (told["kind"], told["why"]) == ("cannot say", "too few")


def test_json_holds_lives_verdict_laws_and_clean_running(lastack: Lastack, runs: Path) -> None:
    given = paths("monday", "tuesday", "wednesday", "mended")
    report = json.loads(lastack("compare", *given, "--json", cwd=runs).stdout)
    assert (report["schema"], report["runs"], report["device"]) == (1, given, "camera")
    assert [life["counts"]["polls"] for life in report["lives"]] == [40, 40, 40, 60]
    assert (report["verdict"]["why"], report["verdict"]["survivors"]) == (
        "survived", ["mended/bench.toml"],
    )  # fmt: skip
    assert (report["weibull"]["failures"], report["weibull"]["censored"]) == (3, 1)
    assert report["kaplan_meier"]["at_risk"] == [4, 3, 2]
    assert report["clean_run"] is None  # one ran further: whether it was mended is not known


def test_a_device_that_stopped_in_no_run_is_no_finding(lastack: Lastack, runs: Path) -> None:
    done = lastack("compare", *paths("monday", "mended"), "--device", "hopper", cwd=runs)
    assert done.returncode == 0
    assert "Nothing failed, so there is nothing to compare." in done.stdout
    assert done.stdout.splitlines()[-1] == (
        "Also stopped: camera (1 time); --device shows another."
    )


def test_a_device_that_is_not_there_is_told_with_those_that_are(
    lastack: Lastack, runs: Path
) -> None:
    done = lastack("compare", *paths("monday"), "--device", "diverter", cwd=runs)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        "lastack: --device: no life of 'diverter' in these runs\n"
        "Devices that answered: camera, hopper.\n"
    )


def test_runs_in_which_nothing_answers_are_told(lastack: Lastack, runs: Path) -> None:
    done = lastack("compare", "monday/controller.log", cwd=runs)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("lastack: no device answered in any of these runs\n")


def test_a_run_given_twice_is_refused(lastack: Lastack, runs: Path) -> None:
    done = lastack("compare", *paths("monday", "monday"), cwd=runs)
    assert (done.returncode, done.stderr.splitlines()[0]) == (
        2, "lastack: monday/bench.toml is given twice",
    )  # fmt: skip


def test_a_run_that_is_not_there_is_told(lastack: Lastack, runs: Path) -> None:
    done = lastack("compare", *paths("monday", "friday"), cwd=runs)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("lastack: friday/bench.toml: no such file\n")


def test_help_begins_with_examples(lastack: Lastack) -> None:
    done = lastack("compare", "--help")
    assert done.returncode == 0
    assert done.stdout.index("Examples:") < done.stdout.index("Each PATH is one run")
