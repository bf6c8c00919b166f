"""Runs made up for the timeline, and its rows as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
from rich.cells import cell_len

from console.app.run_view import RunView, view_of
from console.app.timeline.pieces import Row
from console.bench.model import Bench
from console.pipeline.evidence import BusLines, Evidence, SourceKind, SourceReport
from console.pipeline.inputs import Overrides, settled
from console.pipeline.reading import read_all
from console.pipeline.settling import evidence_of
from console.pipeline.tables import empty_tables
from console.timeline.clocks import ClockMap, ClockPiece, clocks_frame
from console.timeline.events import EVENT_TABLES, Events
from console.timeline.links.index import LinkIndex
from console.trust.sheet import TrustRow, trust_frame
from console.watch.findings import Finding, findings_frame
from tests.console.app.screens.showing import BENCH
from tests.console.timeline.small_runs import run_of

Rows = Mapping[str, list[dict[str, Any]]]

NO_BAND: dict[str, Any] = {"band_ns": 0}
PRINTED: dict[str, Any] = {"level": "info", "damaged": False, "band_ns": 0}


@cache
def demo_with_levels() -> RunView:
    """The demo as the screens see it, its levels kept."""
    inputs = settled([str(BENCH)], Overrides())
    reading = read_all(inputs, keep_edges=True)
    return view_of(evidence_of(reading), inputs.bench, inputs.file)


def clock(source: str, band_ns: int | None = 0, offset_ns: int = 0) -> ClockMap:
    """A clock of one piece."""
    method = "none" if band_ns is None else "declared"
    piece = ClockPiece(
        source, "host", 0, 1 << 62, offset_ns, 0.0, band_ns, 0, 0, method, False
    )  # fmt: skip
    return ClockMap((piece,))


def report(name: str, kind: SourceKind = "prints", *buses: BusLines) -> SourceReport:
    """A source of a run."""
    return SourceReport(name, kind, [], 1, 0, 0, [], None, list(buses))


def made_view(rows: Rows, bench: Bench | None = None, **more: Any) -> RunView:
    """The view of a run of these rows; what a row leaves out is null.

    Args:
        rows: by table.
        bench: what is known of them.
        more: fields of the evidence, but for its tables; `trust`: rows of the trust sheet.
    """
    tables = {n: t for n, t in run_of(rows).tables.items() if n != "links"}
    return view_over(tables, bench, **more)


def view_over(
    tables: Mapping[str, pl.DataFrame],
    bench: Bench | None = None,
    *,
    trust: Sequence[TrustRow] = (),
    **more: Any,
) -> RunView:
    """The view of a run of these tables; it reaches from its first to its last event."""
    findings: Sequence[Finding] = more.get("findings", ())
    full = {
        **empty_tables(),
        **tables,
        "trust": trust_frame(trust),
        "findings": findings_frame(findings),
        "clocks": clocks_frame([]),
    }
    evidence = Evidence("made up", [], {}, {}, full, [], 0, 0, False)
    evidence = replace(evidence, **more)
    times = view_of(evidence, bench or Bench(), None).events.t_ns
    start_ns, end_ns = (int(times.min()), int(times.max())) if len(times) else (0, 0)
    spans = {"start_ns": start_ns, "end_ns": end_ns} | more
    return view_of(replace(evidence, **spans), bench or Bench(), None)


def linked_view(view: RunView, links: Sequence[dict[str, Any]]) -> RunView:
    """The same run with these links; none of them is an event of its own."""
    return replace(view, links=LinkIndex(pl.DataFrame(links)))


def events_at(times: Sequence[int] | npt.NDArray[np.int64]) -> Events:
    """Events of one party, all prints, at these times."""
    t_ns = np.sort(np.asarray(times, np.int64))
    n = len(t_ns)
    return Events(
        t_ns,
        np.full(n, EVENT_TABLES.index("prints"), np.uint8),
        np.arange(n, dtype=np.uint32),
        np.zeros(n, np.uint16),
        np.zeros(n, np.uint8),
    )


def text_of(row: Row) -> str:
    """What a row says."""
    return "".join(text for text, _ in row)


def width_of(row: Row) -> int:
    """Cells it takes."""
    return sum(cell_len(text) for text, _ in row)
