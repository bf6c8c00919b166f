"""Captures with rows taken out, cut off and sampled too coarsely: told to the sample."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from captures_demo.simulator import random_traffic
from captures_demo.simulator.run import Run
from captures_demo.simulator.writers.delimited import LAYOUTS, delimited
from console.pipeline.evidence import Evidence
from tests.console.trust.conftest import Read
from tests.console.trust.runs import Intact, evidence_of, spans

SEEDS = (0, 3)
PERIOD = 500


def rows_of(run: Run, layout: str) -> tuple[list[bytes], list[bytes]]:
    """Head and rows of a capture file."""
    lines = b"".join(delimited(run.recorded(), LAYOUTS[layout])).splitlines(keepends=True)
    head = sum(not line[:1].isdigit() and line[:1] != b"-" for line in lines)
    return lines[:head], lines[head:]


def read_rows(folder: Path, head: list[bytes], rows: list[bytes]) -> Evidence:
    path = folder / "wire.csv"
    path.write_bytes(b"".join([*head, *rows]))
    return evidence_of([path])


@pytest.mark.parametrize("layout", ["every sample", "every sample by number"])
@pytest.mark.parametrize("seed", SEEDS)
def test_samples_taken_out_are_told_to_the_sample(seed: int, layout: str, tmp_path: Path) -> None:
    dice = random.Random(seed)
    run = random_traffic(seed, sample_rate_hz=2_000_000, acts=8, jitter_ns=200)
    head, rows = rows_of(run, layout)
    first = dice.randrange(len(rows) // 4, len(rows) // 2)
    last = first + dice.randrange(1, len(rows) // 4)
    evidence = read_rows(tmp_path, head, rows[:first] + rows[last + 1 :])
    assert spans(evidence, "wire", "not-observed") == [((first - 1) * PERIOD, (last + 1) * PERIOD)]


@pytest.mark.parametrize("every", [2, 8, 16])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_span_of_fewer_samples_is_told_to_the_sample(
    seed: int, every: int, tmp_path: Path
) -> None:
    dice = random.Random(seed)
    run = random_traffic(seed, sample_rate_hz=2_000_000, acts=8, jitter_ns=200)
    head, rows = rows_of(run, "every sample")
    first = dice.randrange(len(rows) // 4, len(rows) // 2)
    last = first + every * dice.randrange(20, len(rows) // 4 // every)
    kept = [r for k, r in enumerate(rows) if not first < k < last or (k - first) % every == 0]
    evidence = read_rows(tmp_path, head, kept)
    found = spans(evidence, "wire", "coarse-sampling")
    assert found == [(first * PERIOD, last * PERIOD)]
    sheet = evidence.tables["trust"].filter(kind="coarse-sampling")
    assert sheet["value"].to_list() == [float(every * PERIOD)]


@pytest.mark.parametrize("seed", range(5))
def test_changes_taken_out_of_a_transaction_are_told_to_the_row(seed: int, tmp_path: Path) -> None:
    dice = random.Random(seed)
    run = random_traffic(seed, jitter_ns=200, acts=8)
    shift = LAYOUTS["nanoseconds"].shift_ns
    head, rows = rows_of(run, "nanoseconds")
    cells = [row.rstrip().split(b",") for row in rows]
    row = dice.choice([r for r in run.captured_transactions() if len(r.data) >= 3])
    begin, end = run.capture_ns(row.start_ns) + shift, run.capture_ns(row.end_ns) + shift
    inside = [k for k, cell in enumerate(cells) if begin < int(cell[0]) < end]
    first = dice.choice(inside[6:-24])
    last = first + dice.randrange(4, 14)
    rest = next(k for k in range(last + 1, len(cells)) if cells[k][1:] != cells[first - 1][1:])
    evidence = read_rows(tmp_path, head, rows[:first] + rows[last + 1 :])
    found = spans(evidence, "wire", "undecodable")
    assert found == [(int(cells[first - 1][0]), int(cells[rest][0]))]


@pytest.mark.parametrize(("rate_hz", "coarse"), [(4_000_000, 0), (1_000_000, 0), (400_000, 1)])
def test_a_sample_rate_too_low_for_the_bus_is_told(
    rate_hz: int, coarse: int, tmp_path: Path
) -> None:
    run = random_traffic(3, sample_rate_hz=rate_hz, acts=8, jitter_ns=200)
    evidence = read_rows(tmp_path, *rows_of(run, "sample numbers"))
    whole = [(run.edges()[0][0], run.recorded().until_ns)]
    assert spans(evidence, "wire", "coarse-sampling") == whole * coarse


def test_the_note_on_sampling_names_period_and_need(tmp_path: Path) -> None:
    run = random_traffic(3, sample_rate_hz=1_000_000, acts=8, jitter_ns=200)
    sheet = read_rows(tmp_path, *rows_of(run, "sample numbers")).tables["trust"]
    # UM10204 table 11, Standard-mode: tHIGH at least 4.0 us, which two samples must fit into
    note = sheet.filter(pl.col("kind") == "sampling").select("value", "limit", "unit").rows()
    assert note == [(1000.0, 2000.0, "ns")]


def test_a_capture_that_ends_before_the_run_is_told_to_the_sample(
    intact: Intact, read: Read
) -> None:
    rows = intact.files.wire
    last = 2 * len(rows) // 3
    evidence = read(replace(intact.files, wire=rows[:last]))
    number = int(rows[last - 1].split(b",")[0])
    assert spans(evidence, "wire", "ends-early") == [(number * 250, evidence.end_ns)]


def test_a_capture_that_goes_bad_is_told_from_there_on(intact: Intact, read: Read) -> None:
    rows = intact.files.wire
    last = 2 * len(rows) // 3
    bad = (*rows[:last], *rows[last - 400 : last - 300])  # put in twice: time goes backwards
    evidence = read(replace(intact.files, wire=bad))
    number = int(rows[last - 1].split(b",")[0])
    assert spans(evidence, "wire", "stopped") == [(number * 250, None)]


def test_a_transaction_cut_by_a_gap_is_no_lost_reply(tmp_path: Path) -> None:
    run = random_traffic(1, sample_rate_hz=2_000_000, acts=8, jitter_ns=200)
    head, rows = rows_of(run, "every sample")
    third = len(rows) // 3
    evidence = read_rows(tmp_path, head, rows[:third] + rows[2 * third :])
    assert [f.rule for f in evidence.findings if f.severity == "fault"] == []
