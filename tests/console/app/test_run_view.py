"""What the screens ask of a run."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from console.app.run_view import WIDTHS_KEPT, RunView
from console.bench.model import Bench, Device
from console.pipeline.evidence import BusLines
from console.trust.sheet import TrustRow
from console.watch.findings import Finding, Severity
from tests.console.app.timeline.views import (
    NO_BAND,
    PRINTED,
    clock,
    demo_with_levels,
    made_view,
    report,
)
from tests.console.watch.runs import nack, transaction

S = 10**9


def finding(t_ns: int, severity: Severity = "fault", **more: Any) -> Finding:
    said = {"rule": "limits", "party": "camera", "source": "wire", "summary": "", "evidence": {}}
    return Finding(t_ns=t_ns, severity=severity, **(said | more))


def bus(name: str) -> BusLines:
    return BusLines(name, "scl", "sda", "", (0, 1), 50, 25_000_000)


def two_captures() -> RunView:
    devices = [Device(name="camera", bus="i2c-1", address=0x2E)]
    devices.append(Device(name="pump", bus="i2c-2", address=0x2E))
    asked = {"request_ns": 5, "device": "pump", "request": "ask", "outcome": "none", "band_ns": 0}
    packet = {
        "start_ns": 9, "end_ns": 10, "bus": "i2c-2", "device": "pump", "packet": "ask",
        "direction": "write", "valid": True, "problems": [], "band_ns": None,
    }  # fmt: skip
    rows = {
        "transactions": [transaction(0) | NO_BAND | {"source": "wire"}],
        "exchanges": [asked],
        "packets": [packet],
        "prints": [{"t_ns": 12, "source": "board", "text": "x"} | PRINTED | {"band_ns": 7}],
    }
    sources = [
        report("wire", "capture", bus("i2c-1")),
        report("wire two", "capture", bus("i2c-2")),
        report("board"),
    ]
    return made_view(rows, Bench(devices=devices), sources=sources)


def test_every_event_has_the_source_that_saw_it() -> None:
    view = two_captures()
    assert [view.source(k) for k in range(4)] == ["wire", "wire two", "wire two", "board"]


def test_every_event_has_the_band_of_its_row() -> None:
    assert [two_captures().band_ns(k) for k in range(4)] == [0, 0, -1, 7]


@pytest.mark.parametrize(
    ("findings", "gravest"),
    [
        ([finding(1, "warning"), finding(9)], 9),
        ([finding(1), finding(9, rule="stops-answering")], 9),
        ([finding(8, rule="stops-answering"), finding(9, rule="stops-answering")], 8),
        ([finding(3, "note"), finding(1, "note")], 1),
    ],
)
def test_the_story_is_the_gravest_finding_and_who_stopped_first(
    findings: list[Finding], gravest: int
) -> None:
    found = made_view({}, findings=findings).gravest()
    assert found is not None
    assert found.t_ns == gravest


def test_nothing_found_is_no_story() -> None:
    assert made_view({}).gravest() is None


def at_one_moment() -> RunView:
    rows = {
        "transactions": [transaction(0, 0x29) | NO_BAND, nack(0, 0x2E) | NO_BAND],
        "prints": [{"t_ns": 0, "source": "board", "text": "x"} | PRINTED | {"level": "error"}],
    }
    devices = [Device(name="camera", bus="i2c-1", address=0x2E)]
    return made_view(rows, Bench(devices=devices))


@pytest.mark.parametrize(("party", "event"), [("camera", 1), ("board", 2), ("nobody", 1)])
def test_a_finding_begins_with_the_bad_event_of_its_party(party: str, event: int) -> None:
    view = at_one_moment()
    assert view.event_of(finding(0, party=party)) == event
    assert len(view.events) == 3


def test_a_finding_without_an_event_of_its_own_leads_to_the_nearest() -> None:
    rows = [{"t_ns": t * S, "source": "b", "text": ""} | PRINTED for t in range(9)]
    assert made_view({"prints": rows}).event_of(finding(4 * S + 1)) == 4


def test_of_a_million_events_at_one_moment_the_one_of_a_finding_is_found_at_once() -> None:
    rows = [{"t_ns": 0, "source": f"b{k % 3}", "text": ""} | PRINTED for k in range(30_000)]
    view = made_view({"prints": rows})
    assert view.event_of(finding(0, party="b2")) == 2


def test_buckets_are_counted_once_and_few_widths_are_kept() -> None:
    view = made_view({"prints": [{"t_ns": t, "source": "b", "text": ""} | PRINTED for t in (0, S)]})
    first = view.buckets(1_000_000)
    assert view.buckets(1_000_000)[0] is first[0]
    for width in (2_000_000, 5_000_000, 10_000_000, 20_000_000):
        view.buckets(width)
    assert len(view._buckets) == WIDTHS_KEPT


def test_the_ribbon_counts_every_event() -> None:
    view = demo_with_levels()
    assert view.fine.events.sum() == len(view.events)
    assert view.fine.bad.sum() == np.count_nonzero(view.events.state == 2)


def test_what_all_sources_of_a_party_missed_was_not_observed() -> None:
    gaps = [TrustRow("wire", 10, 30, "not-observed", "gap", ""),
            TrustRow("wire two", 20, 40, "not-observed", "gap", "")]  # fmt: skip
    devices = [
        Device(name="arm", bus="i2c-1", address=0x2E, party="both"),
        Device(name="leg", bus="i2c-2", address=0x2E, party="both"),
        Device(name="eye", bus="i2c-1", address=0x2F),
    ]
    sources = [
        report("wire", "capture", bus("i2c-1")),
        report("wire two", "capture", bus("i2c-2")),
    ]
    view = made_view({}, Bench(devices=devices), sources=sources, trust=gaps, start_ns=0, end_ns=50)
    spans = {
        party.name: list(
            zip(view.unseen[k].from_ns.tolist(), view.unseen[k].until_ns.tolist(), strict=True)
        )
        for k, party in enumerate(view.parties.every)
    }
    assert spans == {"both": [(20, 30)], "eye": [(10, 30)]}


def test_the_wall_clock_is_that_of_the_first_source_that_stamps_by_it() -> None:
    late = 1_795_000_000 * S
    clocks = {"wire": clock("wire"), "broker": clock("broker", 5, -late)}
    assert made_view({}, clocks=clocks).wall_ns == late
    assert made_view({}, clocks={"wire": clock("wire")}).wall_ns is None
    assert made_view({}, clocks={"broker": clock("broker", None, -late)}).wall_ns is None
