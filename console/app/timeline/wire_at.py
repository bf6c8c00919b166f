"""The wire under an event: from a row of a table to the levels of its transactions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from console.app.run_view import RunView
from console.app.timeline.bits import Wire
from console.timeline.native import native_ns
from console.timeline.words import event_row
from decoders.buses.bit_cells import MARGIN_NS, bit_cells

MOST_NS = 2_000_000_000  # a longer transaction is looked at from its beginning only
MOST_EDGES = 40_000
LOOKED_BACK = 4_096  # transactions of all buses that are looked at to find the one under a packet


@dataclass(frozen=True, slots=True)
class _Span:
    """Where the levels of an event lie, on the common axis."""

    bus: str
    begin_ns: int
    end_ns: int
    restarted: bool  # a repeated START began it
    stuck: bool  # it ended with a line held low


def wire_under(view: RunView, k: int) -> Wire | str:
    """The wire under event k; in words why there is none.

    Args:
        view: the run.
        k: an event.
    """
    table, row = event_row(view.tables, view.events, k)
    span = _span(view, table, row)
    if span is None and table in ("words", "pulses"):
        return "its levels are not drawn: bits are shown of I2C alone"
    if span is None:
        return "no levels belong to it: choose a transaction or packet to see its bits"
    lines = view.evidence.lines_of(span.bus)
    if lines is None:
        return "no capture has this bus"
    source, found = lines
    kept = view.evidence.wires.get(source)
    if kept is None:
        return "the levels of this capture were not kept"
    clock = view.evidence.clocks[source]
    begin = native_ns(clock, span.begin_ns)
    end = min(native_ns(clock, span.end_ns, last=True), begin + MOST_NS)
    near = kept.span(begin - MARGIN_NS, end + MARGIN_NS + (found.held_ns if span.stuck else 0))
    if kept.trouble or not len(near.t_ns):
        return kept.trouble or "no levels were observed here"
    if len(near.t_ns) > MOST_EDGES:
        end = min(end, int(near.t_ns[MOST_EDGES]))
        cut = slice(0, MOST_EDGES + 1)
        near = replace(near, t_ns=near.t_ns[cut], levels=near.levels[cut], until_ns=end)
    cells = bit_cells(
        near,
        *found.bits,
        begin,
        max(end, begin),
        spike_ns=found.spike_ns,
        held_ns=found.held_ns,
        restarted=span.restarted,
    )
    return Wire(cells, near, *found.bits, found.scl, found.sda)


def _span(view: RunView, table: str, row: Mapping[str, Any]) -> _Span | None:
    if table == "exchanges":
        return _around(view, view.bus_of_device(str(row["device"])), row["request_ns"])
    if table == "packets":
        found = _around(view, str(row["bus"]), row["start_ns"])
        if found is None:
            return None
        return replace(found, end_ns=max(row["end_ns"], found.end_ns))
    if table not in ("transactions", "line_states"):
        return None
    stuck = table == "line_states" or row["ended_by"] == "stuck"
    restarted = row.get("started_by") == "restart"
    return _Span(str(row["bus"]), row["start_ns"], row["end_ns"], restarted, stuck)


def _around(view: RunView, bus: str, t_ns: int) -> _Span | None:
    """The transaction of a bus that a time is in: a packet may begin within one."""
    transactions = view.tables["transactions"]
    after = int(transactions["start_ns"].search_sorted(t_ns, side="right"))
    near = transactions.slice(max(after - LOOKED_BACK, 0), min(after, LOOKED_BACK))
    own = near.filter((pl.col("bus") == bus) & (pl.col("end_ns") >= t_ns))
    if not own.height:
        return None
    row = own.row(-1, named=True)
    restarted, stuck = row["started_by"] == "restart", row["ended_by"] == "stuck"
    return _Span(bus, row["start_ns"], row["end_ns"], restarted, stuck)
