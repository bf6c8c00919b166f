"""Small runs as the screens see them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from console.app.run_view import RunView, view_of
from console.bench.model import Bench
from console.pipeline.evidence import Evidence
from console.timeline.clocks import ClockMap
from console.trust.sheet import trust_frame
from console.watch.findings import Finding
from tests.console.timeline.small_runs import cap_line, run_of

S = 10**9


def finding(t_ns: int, party: str, summary: str, severity: Any = "fault") -> Finding:
    """A finding."""
    return Finding(t_ns, "stops-answering", severity, party, "wire", summary, {})


def whole_run(
    rows: Mapping[str, list[dict[str, Any]]] | None = None,
    findings: Sequence[Finding] = (),
    clocks: Mapping[str, ClockMap] | None = None,
) -> RunView:
    """A run of these rows, or the fixed one of the cap line; ten seconds before and after it."""
    run = cap_line() if rows is None else run_of(rows)
    times = run.events.t_ns
    evidence = Evidence(
        name="cap line",
        sources=[],
        clocks=clocks or {},
        tables={
            **{name: table for name, table in run.tables.items() if name != "links"},
            "trust": trust_frame([]),
        },
        findings=findings,
        start_ns=0,
        end_ns=int(times[-1]) + 10 * S if len(times) else 10 * S,
        interrupted=False,
        anchors={},
    )
    return view_of(evidence, Bench(), None)
