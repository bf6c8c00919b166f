"""Commands on recorded runs: told by content, checked, exported, watched again."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from console.sources.records import Chunk
from tests.console.commands.conftest import Lastack
from tests.console.pipeline.recorded import START_NS, S, healthy, recorded


@pytest.fixture(scope="module")
def silent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run in which the controller falls silent after a minute."""
    records = [r for r in healthy(90) if r.source != "controller" or r.t_ns < START_NS + 60 * S]
    records.append(Chunk("controller", START_NS + 60 * S, b"[60000] last words\r\n"))
    records.sort(key=lambda record: record.t_ns)
    return recorded(tmp_path_factory.mktemp("runs") / "silent", records, START_NS + 91 * S)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("runs") / "good"
    return recorded(folder, healthy(90), START_NS + 90 * S + S // 2)


def test_check_takes_a_run_by_the_bench_in_it(lastack: Lastack, silent: Path) -> None:
    done = lastack("check", silent)
    assert done.returncode == 1
    assert "cap line: 3 sources, 01:31.000 on one axis" in done.stdout
    assert "nothing has come since 00:59.9" in done.stdout


def test_check_finds_nothing_in_a_healthy_run(lastack: Lastack, good: Path) -> None:
    done = lastack("check", good, "--json")
    assert (done.returncode, json.loads(done.stdout)["findings"]) == (0, [])


def test_export_has_what_happened_to_the_sources(lastack: Lastack, good: Path) -> None:
    done = lastack("export", good, "--table", "happenings", "--where", "source = 'broker'")
    assert json.loads(done.stdout) == {
        "t_ns": START_NS,
        "source": "broker",
        "what": "opened",
        "detail": "",
        "band_ns": 50_000_000,
    }


def test_several_runs_are_watched_again_each_by_itself(
    lastack: Lastack, good: Path, silent: Path
) -> None:
    done = lastack("check", good, silent)
    assert done.returncode == 1
    assert "back-test of 2 runs" in done.stdout
    assert f"{good}: 90.5 s, healthy throughout" in done.stdout
    assert "(3 s after it began)" in done.stdout


def test_back_test_as_json_has_the_delay_of_each_alarm(lastack: Lastack, silent: Path) -> None:
    found = json.loads(lastack("check", silent, "--back-test", "--json").stdout)
    delays = [a["delay_ns"] for a in found["runs"][0]["alarms"] if a["rule"] == "cadence"]
    assert all(3 * S <= delay <= 3 * S + S // 50 for delay in delays)
    assert len(delays) == 1


def test_healthy_counts_every_alarm_as_a_false_one(lastack: Lastack, silent: Path) -> None:
    found = json.loads(lastack("check", silent, "--healthy", "--json").stdout)
    assert [rate["in_health"] for rate in found["rules"]] == [1]


def test_loose_recordings_beside_several_runs_are_refused(
    lastack: Lastack, good: Path, silent: Path, tmp_path: Path
) -> None:
    log = tmp_path / "boot.log"
    log.write_text("boot\n")
    done = lastack("check", good, silent, log)
    assert done.returncode == 2
    assert "recordings beside several runs belong to none of them" in done.stderr


def test_folder_without_a_run_is_a_folder(lastack: Lastack, tmp_path: Path) -> None:
    done = lastack("check", tmp_path)
    assert (done.returncode, "this is a directory" in done.stderr) == (2, True)


def test_rules_learned_from_a_run_find_nothing_in_it(
    lastack: Lastack, good: Path, tmp_path: Path
) -> None:
    rules = tmp_path / "rules.toml"
    assert lastack("new", "--from", good, "-o", rules).returncode == 0
    assert rules.read_text().count("\n[[rule]]\n") >= 4
    done = lastack("check", good, "--rules", rules, "--fail-on", "note")
    assert (done.returncode, "no rule found anything wrong" in done.stdout) == (0, True)


def test_rules_are_learned_from_the_span_that_is_named(lastack: Lastack, silent: Path) -> None:
    done = lastack("new", "--from", silent, "--between", "00:05..00:50")
    assert "Rules learned from" in done.stdout
    assert ": 45 s, from 5 s after its start on." in done.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--between", "00:05..00:50"], "it needs --from RUN"),
        ([], "Missing argument 'PATH...'"),
    ],
)
def test_new_says_what_it_lacks(lastack: Lastack, arguments: list[str], said: str) -> None:
    done = lastack("new", *arguments)
    assert (done.returncode, said in done.stderr) == (2, True)


def test_starter_bench_file_of_a_run_is_refused(lastack: Lastack, good: Path) -> None:
    done = lastack("new", good)
    assert done.returncode == 2
    assert f"Learn rules from it with --from {good}." in done.stderr


@pytest.mark.parametrize("span", ["00:50", "00:50..00:05", "never..00:05", "00:05..9:00:00"])
def test_span_that_is_none_is_refused(lastack: Lastack, good: Path, span: str) -> None:
    done = lastack("new", "--from", good, "--between", span)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) <= 3
