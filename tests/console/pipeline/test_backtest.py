"""Watching a stored run again: when each alarm could have been told, and how many a day."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from captures_demo.simulator.cap_line_plan import SHORT
from captures_demo.simulator.make import files
from captures_demo.simulator.writers.files import write
from console.bench.load import load_rules
from console.bench.model import Bench
from console.pipeline.backtest import FINE_NS, Alarm, BackTest, RuleRate, rates
from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.sources.records import Chunk, Happened, Record
from console.watch.findings import Finding
from tests.console.pipeline.recorded import MS, START_NS, S, healthy, recorded

DEMO = Path(__file__).resolve().parents[3] / "captures_demo" / "cap_line"
DAY_NS = 86_400 * S


def read(run: Path) -> tuple[Bench, Evidence]:
    inputs = settled([str(run)], Overrides())
    return inputs.bench, gathered(inputs)


@pytest.fixture(scope="module")
def evidence(tmp_path_factory: pytest.TempPathFactory) -> tuple[Bench, Evidence]:
    """A short run of the demo's bench: 40 polls answered, 3 missed, 8 dead."""
    folder = tmp_path_factory.mktemp("cap_line")
    for name, pieces in files(SHORT).items():
        write(folder / name, pieces)
    for name in ("bench.toml", "camera.packets.toml"):
        shutil.copy(DEMO / name, folder)
    return read(folder / "bench.toml")


@pytest.fixture(scope="module")
def demo(evidence: tuple[Bench, Evidence]) -> BackTest:
    return BackTest.of(*evidence, "cap line")


def test_lockup_is_told_within_its_polls(demo: BackTest) -> None:
    # The rule of the demo's bench: five unanswered polls of the camera, one a second.
    (alarm,) = [
        a
        for a in demo.alarms
        if (a.finding.rule, a.finding.party) == ("stops-answering", "camera")
        and a.finding.severity == "fault"
    ]
    assert 4 * S <= alarm.told_ns - alarm.finding.evidence["first_bad_ns"] <= 6 * S
    assert alarm.stands


def test_what_is_told_is_what_check_finds_once_it_could_be(
    demo: BackTest, evidence: tuple[Bench, Evidence]
) -> None:
    told = {(a.finding.t_ns, a.finding.rule, a.finding.party) for a in demo.alarms if a.stands}
    assert told == {(f.t_ns, f.rule, f.party) for f in evidence[1].findings}
    assert all(alarm.told_ns >= alarm.finding.t_ns for alarm in demo.alarms)


def test_run_is_healthy_until_its_first_fault(demo: BackTest) -> None:
    faults = [a.finding.t_ns for a in demo.alarms if a.finding.severity == "fault"]
    assert demo.healthy_until_ns == min(faults)


def test_run_that_is_known_to_be_healthy_is_so_to_its_end(tmp_path: Path) -> None:
    run = recorded(tmp_path / "soak", healthy(10), START_NS + 60 * S)
    again = BackTest.of(*read(run), "soak", healthy=True)
    assert "fault" in {alarm.finding.severity for alarm in again.alarms}
    assert again.healthy_ns == 60 * S


def test_silence_is_told_when_its_limit_has_passed(tmp_path: Path) -> None:
    records = [*healthy(60), Chunk("controller", START_NS + 60 * S, b"last words\r\n")]
    run = recorded(tmp_path / "soak", records, START_NS + 100 * S)
    alarm = next(
        a
        for a in BackTest.of(*read(run), "soak").alarms
        if a.finding.rule == "cadence" and a.finding.party == "line board"
    )
    assert 3 * S < alarm.delay_ns <= 3 * S + FINE_NS


def test_alarm_that_was_taken_back_is_told_as_that(tmp_path: Path) -> None:
    # Nothing was heard of the camera; then the one line it ever prints comes.
    records: list[Record] = [
        Happened("camera", START_NS, "opened"),
        Chunk("camera", START_NS + 50 * S, b"at last\n"),
    ]
    run = recorded(tmp_path / "soak", records, START_NS + 51 * S)
    read_bench, evidence = read(run)
    rules = load_rules(
        "[[rule]]\nkind = 'cadence'\ntable = 'prints'\nwhere = \"source = 'camera'\"\n"
        "silence = '9 s'\n",
        "rules.toml",
    )
    with_rule = msgspec.structs.replace(read_bench, rules=rules)
    watched = BackTest.of(with_rule, replace(evidence, findings=[]), "soak")
    assert [(a.finding.rule, a.stands, a.delay_ns // S) for a in watched.alarms] == [
        ("cadence", False, 9)
    ]


def test_day_of_a_healthy_line_gives_no_alarm(tmp_path: Path) -> None:
    # 1.6 records a second, 140,000 in all: the default rules, and a silence of the controller.
    day = healthy(86_400, 2.0)
    run = recorded(tmp_path / "soak", day, START_NS + DAY_NS, bench_text=DEFAULTS)
    again = BackTest.of(*read(run), "soak")
    assert again.healthy_ns == DAY_NS
    assert again.alarms == []


DEFAULTS = """
[[source]]
name = "controller"
kind = "prints"
port = "/dev/ttyCAP0"
baud = 115200

[[source]]
name = "camera"
kind = "prints"
port = "/dev/ttyCAP1"

[[source]]
name = "broker"
kind = "messages"
host = "broker.capline.example"

[[rule]]
kind = "cadence"
table = "prints"
where = "source = 'controller'"
silence = "5 s"
"""


def made(alarms: list[tuple[str, str, int, int]], healthy_until_ns: int, end_ns: int) -> BackTest:
    """A back-test with these alarms: rule, severity, begin and told."""
    found = [
        Alarm(Finding(t, rule, severity, "camera", "wire", "", {}), told, stands=True)  # type: ignore[arg-type]
        for rule, severity, t, told in alarms
    ]
    return BackTest("made", 0, end_ns, found, healthy_until_ns)


def test_rates_count_what_was_told_while_all_was_well() -> None:
    runs = [
        made([("cadence", "fault", 90 * S, 95 * S)], 90 * S, 100 * S),
        made([("limits", "warning", 5 * S, 6 * S), ("limits", "warning", 8 * S, 9 * S)],
               DAY_NS - 90 * S, DAY_NS),
    ]  # fmt: skip
    assert rates(runs) == [
        RuleRate("cadence", "fault", "camera", 1, 0, 0.0, 5 * S, 5 * S),
        RuleRate("limits", "warning", "camera", 2, 2, 2.0, S, S),
    ]


def test_rate_is_not_told_where_nothing_was_healthy() -> None:
    (rate,) = rates([made([("cadence", "fault", 0, MS)], 0, S)])
    assert rate.a_day is None
