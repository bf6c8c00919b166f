"""Causes, effects and findings of an event."""

from __future__ import annotations

import polars as pl

from console.timeline.sheet.lines import MOST_AROUND, Heading, Link, More, Told
from console.watch.findings import Finding, findings_frame
from tests.console.timeline.sheet.benches import bench_of, of_kind, sheet_of
from tests.console.watch.runs import S, table, transaction


def tables(link_count: int = 1, *findings: Finding) -> dict[str, pl.DataFrame]:
    prints = [
        {"t_ns": k, "source": "controller", "level": "info", "text": f"poll {k}", "damaged": False}
        for k in range(40)
    ]
    links = pl.DataFrame(
        {
            "from_ns": list(range(link_count)),
            "to_ns": [S] * link_count,
            "from_table": ["prints"] * link_count,
            "from_row": list(range(link_count)),
            "to_table": ["transactions"] * link_count,
            "to_row": [0] * link_count,
            "from_party": [0] * link_count,
            "to_party": [1] * link_count,
            "latency_ns": [S - k for k in range(link_count)],
            "by": ["poll"] * link_count,
            "outcome": ["seen"] * link_count,
        }
    )
    return {
        "prints": table("prints", prints),
        "transactions": table("transactions", [transaction(S)]),
        "links": links,
        "findings": findings_frame(findings),
    }


def test_an_event_names_its_cause_and_its_effect() -> None:
    found = tables()
    effect = sheet_of(found, "transactions", 0, bench_of(None))
    cause = sheet_of(found, "prints", 0, bench_of(None))
    assert of_kind(effect, Link) == [
        Link(True, "controller", "poll 0", S, 0, "poll", "seen", "prints", 0)
    ]
    assert of_kind(cause, Link) == [
        Link(False, "camera", "write 10", S, 0, "poll", "seen", "transactions", 0)
    ]
    assert Heading("caused by") in effect.lines
    assert Heading("led to") in cause.lines


def test_many_links_are_counted() -> None:
    sheet = sheet_of(tables(30), "transactions", 0, bench_of(None))
    assert len(of_kind(sheet, Link)) == MOST_AROUND
    assert of_kind(sheet, More) == [More(30 - MOST_AROUND, "links")]


def finding(t_ns: int, **evidence: object) -> Finding:
    return Finding(t_ns, "check-code", "warning", "camera", "wire", "camera: 2 wrong", evidence)


def test_findings_whose_evidence_names_the_time_are_told() -> None:
    told = [finding(S), finding(5, times_ns=[7, S]), finding(6, last_good_ns=S)]
    others = [finding(7, times_ns=[S + 1]), finding(8, count=S), finding(9, of=[S])]
    sheet = sheet_of(tables(1, *told, *others), "transactions", 0, bench_of(None))
    assert [line.t_ns for line in of_kind(sheet, Told)] == [5, 6, S]


def test_an_event_without_links_and_findings_has_neither() -> None:
    found = tables()
    del found["links"], found["findings"]
    sheet = sheet_of(found, "transactions", 0, bench_of(None))
    assert not of_kind(sheet, Link) + of_kind(sheet, Told)
