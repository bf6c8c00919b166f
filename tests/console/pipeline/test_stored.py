"""A recorded run as input: what was seen live is found again, by every way that leads there."""

from __future__ import annotations

import json
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.pipeline.live import LIVE_TABLES, LiveFold
from console.pipeline.stored import RecordedFile, RecordedRun, with_ends
from console.run.rows import Session
from console.sources.records import Arrived, Chunk, Happened, Record
from console.watch.doubt import DOUBT
from console.watch.findings import Finding
from decoders.errors import DiagnosticError
from tests.console.pipeline.recorded import (
    MS,
    START_NS,
    STEPS,
    S,
    bench,
    healthy,
    recorded,
    records_of,
)


def checked(run: Path, rules: str | None = None) -> Evidence:
    return gathered(settled([str(run)], Overrides(rules=rules)))


def undoubted(findings: list[Finding]) -> list[Finding]:
    """Without what the trust sheet says against them: that is known afterwards alone."""
    return [
        replace(f, evidence={k: v for k, v in f.evidence.items() if k != DOUBT}) for f in findings
    ]


@settings(max_examples=25, deadline=None)
@given(STEPS, st.integers(0, 6_000), st.integers(1, 3_000))
def test_check_finds_in_a_stored_run_what_was_found_live(
    steps: list[tuple[str, int, int, int]], rest_ms: int, tick_ms: int
) -> None:
    records = records_of(steps)
    until_ns = (records[-1].t_ns if records else START_NS) + rest_ms * MS
    with tempfile.TemporaryDirectory() as folder:
        opened = [Happened("controller", START_NS, "note")]
        evidence = checked(recorded(Path(folder) / "run", [*opened, *records], until_ns))
    live = LiveFold(bench(), START_NS)
    waiting: list[Record] = [*opened, *records]
    rows: dict[str, list[pl.DataFrame]] = {}
    found: list[Finding] = []
    for now in [*range(START_NS, until_ns, tick_ms * MS * 5)]:
        live.feed([record for record in waiting if record.t_ns < now])
        waiting = [record for record in waiting if record.t_ns >= now]
        step = live.until(now)
        found += step.complete
        for name, frame in step.rows.items():
            rows.setdefault(name, []).append(frame)
    live.feed(waiting)
    last = live.finish(until_ns)
    found += last.complete
    for name, frame in last.rows.items():
        rows.setdefault(name, []).append(frame)
    key = [(f.t_ns, f.rule, f.party, f.summary) for f in found]
    stored = undoubted(list(evidence.findings))
    assert sorted(key) == sorted((f.t_ns, f.rule, f.party, f.summary) for f in stored)
    assert sorted(found, key=repr) == sorted(stored, key=repr)
    for name in LIVE_TABLES:
        whole = pl.concat(rows[name]) if name in rows else evidence.tables[name].clear()
        # Sources stand in the order of the run where their rows have one time.
        by = [whole.columns[0], "source"]
        own = whole.sort(by, maintain_order=True).rows()
        assert own == evidence.tables[name].sort(by, maintain_order=True).rows()


def test_run_is_told_by_content_and_its_bench_is_in_it(tmp_path: Path) -> None:
    run = recorded(tmp_path / "soak", healthy(20), START_NS + 21 * S)
    inputs = settled([str(run)], Overrides())
    assert inputs.bench.name == "cap line"
    assert [each.source.name for each in inputs.inputs] == ["controller", "camera", "broker"]
    assert len(inputs.bench.rules) == 6
    evidence = gathered(inputs)
    assert (evidence.start_ns, evidence.end_ns) == (START_NS, START_NS + 21 * S)
    assert [(s.name, s.kind, s.events) for s in evidence.sources] == [
        ("controller", "prints", 22),
        ("camera", "prints", 20),
        ("broker", "messages", 22),
    ]


def test_sources_of_one_recorder_share_its_clock(tmp_path: Path) -> None:
    evidence = checked(recorded(tmp_path / "soak", healthy(20), START_NS + 21 * S))
    rows = evidence.tables["clocks"].select("source", "clock", "offset_ns", "method", "band_ns")
    # 17 ms of a USB adapter and a byte time of 10 bits at 115,200 baud; 50 ms of a broker's way.
    assert rows.rows() == [
        ("controller", "host", 0, "declared", 17_086_806),
        ("camera", "host", 0, "declared", 17_000_000),
        ("broker", "host", 0, "declared", 50_000_000),
    ]


def test_database_in_the_folder_is_the_run_as_well(tmp_path: Path) -> None:
    run = recorded(tmp_path / "soak", healthy(3), START_NS + 4 * S)
    assert checked(run / "run.sqlite").tables["prints"].height == 7


def test_bench_file_beside_a_run_stands_for_its_own(tmp_path: Path) -> None:
    run = recorded(tmp_path / "soak", healthy(20), START_NS + 21 * S)
    other = tmp_path / "other.toml"
    other.write_text(
        '[[source]]\nname = "controller"\nkind = "prints"\nport = "/dev/x"\n'
        '[[rule]]\nkind = "pattern"\nname = "polls"\ntable = "prints"\n'
        "where = \"text LIKE 'poll%'\"\n"
    )
    evidence = gathered(settled([str(run), str(other)], Overrides()))
    assert [f.summary for f in evidence.findings] == [
        "controller: polls, 20 times, first at 00:00.005000"
    ]
    assert evidence.tables["messages"].height == 22


def test_rules_of_a_file_stand_for_those_of_the_run(tmp_path: Path) -> None:
    run = recorded(tmp_path / "soak", healthy(20), START_NS + 21 * S)
    rules = tmp_path / "rules.toml"
    rules.write_text(
        '[[rule]]\nkind = "limits"\ntable = "messages"\nfield = "fields.cm"\nmax = 1\n'
    )
    evidence = checked(run, rules=str(rules))
    assert {f.rule for f in evidence.findings} == {"limits"}


def test_second_run_is_refused_with_the_way_to_check_several(tmp_path: Path) -> None:
    runs = [recorded(tmp_path / name, healthy(2), START_NS + 3 * S) for name in ("a", "b")]
    with pytest.raises(DiagnosticError, match="a second run") as told:
        settled([str(run) for run in runs], Overrides())
    assert "lastack check" in told.value.mend


def test_what_a_killed_session_left_open_was_not_observed_until_the_next(tmp_path: Path) -> None:
    run = tmp_path / "soak"
    recorded(run, healthy(10), START_NS + 10 * S)
    again = START_NS + 500 * S
    later: list[Record] = [Chunk("controller", again + S, b"[1] boot\r\n")]
    recorded(run, later, again + 2 * S, from_ns=again, append=True)
    evidence = checked(run)
    gaps = evidence.tables["trust"].filter(severity="gap", source="controller")
    assert (START_NS + 10 * S, again + S) in gaps.select("from_ns", "until_ns").rows()
    assert [f for f in evidence.findings if f.rule == "cadence" and f.source == "controller"] == []
    happened = evidence.tables["happenings"].filter(source="controller")
    assert happened["what"].to_list() == ["opened", "closed"]


SESSION = Session(0, 0, 0, 0, 50, None, "", "", "", "", 1, 1)


def test_source_that_was_closed_in_good_order_is_not_closed_again() -> None:
    records: list[Record] = [
        Happened("a", 1, "opened"),
        Happened("a", 40, "closed"),
        Chunk("b", 45, b"x\n"),
        Happened("a", 200, "opened"),
    ]
    sessions = [SESSION, replace(SESSION, started_ns=100, alive_ns=300)]
    got = list(with_ends(records, sessions))
    assert got == [*records[:3], Happened("b", 50, "closed", "recording ended"), records[3]]


DEMO = Path(__file__).resolve().parents[3] / "captures_demo" / "cap_line"
OVERHEARD_BENCH = """
[[source]]
name = "wire"
kind = "capture"
folder = "exports"

[[source]]
name = "controller"
kind = "prints"
port = "/dev/ttyCAP0"
line = '^\\[ *(?P<us>\\d+)\\] (?P<level>[IWE]) (?P<text>.*)$'
tick_bits = 32

[[source]]
name = "broker"
kind = "messages"
host = "broker.capline.example"

[[bus]]
name = "i2c-1"
source = "wire"
scl = "scl"
sda = "sda"

[[device]]
name = "camera"
bus = "i2c-1"
address = 0x2E
packets = "camera.packets.toml"
"""


def overheard(folder: Path) -> Path:
    """The demo as if its log and messages had been recorded, and its capture exported meanwhile."""
    demo = gathered(settled([str(DEMO / "bench.toml")], Overrides()))
    records: list[Record] = []
    lines = (DEMO / "controller.log").read_bytes().splitlines(keepends=True)
    for t_ns, line in zip(demo.tables["prints"]["t_ns"].to_list(), lines, strict=True):
        records.append(Chunk("controller", START_NS + t_ns, line))
    for t_ns, topic, payload in demo.tables["messages"].select("t_ns", "topic", "payload").rows():
        records.append(Arrived("broker", START_NS + t_ns, topic, payload.encode()))
    records.sort(key=lambda record: record.t_ns)
    until_ns = records[-1].t_ns + S
    run = recorded(
        folder,
        records,
        until_ns,
        bench_text=OVERHEARD_BENCH,
        packets={"camera.packets.toml": (DEMO / "camera.packets.toml").read_bytes()},
    )
    kept = run / "captures" / "wire"
    kept.mkdir(parents=True)
    shutil.copyfile(DEMO / "wire.csv.gz", kept / "wire.csv.gz")
    return run


def test_capture_that_joined_a_run_is_aligned_by_what_it_shares(tmp_path: Path) -> None:
    evidence = checked(overheard(tmp_path / "soak"))
    clock = evidence.clocks["wire"].pieces[0]
    assert clock.method == "equal-values"
    assert abs(clock.offset_ns - START_NS) <= (clock.band_ns or 0)
    truth = json.loads((DEMO / "truth.json").read_text())["camera"]
    stops = [f for f in evidence.findings if f.rule == "stops-answering"]
    (stop,) = [f for f in stops if f.party == "camera" and f.severity == "fault"]
    assert stop.evidence["polls_answered"] == truth["polls_answered"]
    assert stop.evidence["transactions_answered"] == truth["transactions_answered"]


def test_records_of_a_run_are_read_in_batches(tmp_path: Path) -> None:
    run = recorded(tmp_path / "soak", healthy(9000), START_NS + 9001 * S)
    known, _ = RecordedRun.opened(str(run))
    sizes = [len(batch) for batch in RecordedFile(known, None)]
    assert max(sizes) == 16_384
    assert sum(sizes) == 3 + 9000 * 3 + 900 * 2
