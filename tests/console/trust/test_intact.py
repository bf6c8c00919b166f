"""Whole evidence gives no doubt but for what was lost on the way and is truly not in it."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from captures_demo.simulator import random_traffic
from captures_demo.simulator.make import CAP_LINE
from captures_demo.simulator.network import TO_BROKER
from captures_demo.simulator.run import Run
from captures_demo.simulator.writers.delimited import LAYOUTS, delimited
from captures_demo.simulator.writers.vcd import vcd
from console.pipeline.evidence import Evidence
from tests.console.trust.conftest import SEEDS
from tests.console.trust.runs import Files, Intact, doubts, evidence_of, short_run, spans


def lost_on_the_way(run: Run) -> list[int]:
    """When messages were sent that the recorder never got, on the capture's clock."""
    return [run.capture_ns(m.sent_ns) for m in run.truth.lost_messages if m.lost == TO_BROKER]


def test_a_whole_run_lacks_only_what_the_network_lost(intact: Intact) -> None:
    assert {row[:2] for row in doubts(intact.evidence)} == {("broker", "lost")}


@pytest.mark.parametrize("seed", SEEDS)
def test_each_lost_message_lies_in_a_span_that_says_so(seed: int, tmp_path: Path) -> None:
    run = short_run(seed)
    found = spans(evidence_of([Files.of(run).write(tmp_path)]), "broker", "lost")
    inside = [
        a is not None and b is not None and a <= t <= b
        for t in lost_on_the_way(run)
        for a, b in [min(found, key=lambda s: abs((s[0] or 0) - t))]
    ]
    assert (len(found), inside) == (2, [True, True])


@pytest.fixture(scope="module")
def demo() -> Evidence:
    return evidence_of([CAP_LINE / "bench.toml"])


def test_the_demo_lacks_the_messages_its_truth_says_were_lost(demo: Evidence) -> None:
    sheet = demo.tables["trust"].filter(pl.col("severity") != "note")
    # captures_demo/cap_line/truth.json: numbers 377, 378, 1502 and 1811 of capline/cam/blocks
    assert sheet["kind"].to_list() == ["lost", "lost", "lost"]
    assert sheet["value"].to_list() == [2.0, 1.0, 1.0]
    messages = demo.tables["messages"].filter(topic="capline/cam/blocks")
    rows = messages.select(
        "t_ns", n=pl.col("fields").str.json_path_match("$.n").cast(pl.Int64)
    ).rows()
    around = [
        (max(n for t, n in rows if t <= begin), min(n for t, n in rows if t >= end))
        for begin, end in sheet.select("from_ns", "until_ns").rows()
    ]
    assert around == [(376, 379), (1501, 1503), (1810, 1812)]


def test_the_demo_notes_its_rollover_and_its_retained_message(demo: Evidence) -> None:
    notes = demo.tables["trust"].filter(severity="note")
    assert sorted(notes["kind"].to_list()) == [
        "coverage", "coverage", "coverage", "retained", "rollover", "sampling",
    ]  # fmt: skip


@pytest.mark.parametrize("seed", range(2))
def test_random_traffic_gives_no_doubt(seed: int, tmp_path: Path) -> None:
    run = random_traffic(seed, jitter_ns=200, acts=12)
    text, dump = tmp_path / "wire.csv", tmp_path / "wire.vcd"
    text.write_bytes(b"".join(delimited(run.recorded(), LAYOUTS["nanoseconds"])))
    dump.write_bytes(b"".join(vcd(run.recorded())))
    assert (doubts(evidence_of([text])), doubts(evidence_of([dump]))) == ([], [])


@pytest.mark.parametrize("layout", ["every sample", "every sample by number", "sample numbers"])
def test_samples_that_are_all_there_give_no_doubt(layout: str, tmp_path: Path) -> None:
    run = random_traffic(3, sample_rate_hz=2_000_000, acts=8, jitter_ns=200)
    path = tmp_path / "wire.csv"
    path.write_bytes(b"".join(delimited(run.recorded(), LAYOUTS[layout])))
    assert doubts(evidence_of([path])) == []
