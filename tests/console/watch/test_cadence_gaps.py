"""Silences beside spans in which a source was not observed."""

from __future__ import annotations

from console.trust.unobserved import Unobserved
from console.watch.cadence import Cadence
from console.watch.findings import Finding
from console.watch.names import Names
from console.watch.rule import Batch
from tests.console.watch.runs import S, table


def found(seconds: list[int], gaps: list[tuple[int, int]], until_s: int) -> list[Finding]:
    rule = Cadence("prints", Names({}, {}, {}), silence_ns=10 * S)
    rule.begin(0)
    rows = table("prints", [{"t_ns": s * S, "source": "controller"} for s in seconds])
    spans = Unobserved.of((a * S, b * S) for a, b in gaps)
    batch = Batch({"prints": rows}, until_s * S, unobserved={"controller": spans})
    return rule.feed(batch) + rule.finish(until_s * S)


def told(findings: list[Finding]) -> list[tuple[int, int]]:
    return [(f.t_ns // S, f.evidence["silent_ns"] // S) for f in findings]


def test_gap_that_covers_a_pause_leaves_no_silence() -> None:
    assert told(found([0, 60], [(5, 55)], 61)) == []


def test_pause_before_a_gap_is_a_silence_of_its_own() -> None:
    assert told(found([0, 60], [(20, 58)], 61)) == [(0, 20)]


def test_pause_after_a_gap_counts_from_its_end() -> None:
    assert told(found([0, 60], [(2, 40)], 61)) == [(40, 20)]


def test_silence_that_lasts_counts_from_the_end_of_the_gap() -> None:
    (finding,) = found([0], [(5, 40)], 60)
    assert told([finding]) == [(40, 20)]
    assert "nothing has come since" in finding.summary
    assert finding.evidence["last_ns"] == 0


def test_gap_without_an_end_ends_the_judging() -> None:
    assert told(found([0], [(8, 10**9)], 60)) == []


def test_pause_without_a_gap_is_told_whole() -> None:
    assert told(found([0, 60], [], 61)) == [(0, 60)]


def test_observed_stretches_are_what_lies_outside_the_spans() -> None:
    spans = Unobserved.of([(10, 20), (30, 30), (40, 50)])
    assert spans.observed(0, 60) == [(0, 10), (20, 30), (30, 40), (50, 60)]
    assert spans.observed(12, 45) == [(20, 30), (30, 40)]
    assert spans.observed(11, 19) == []
