"""The wire under an event: from a row of a table to the levels of its transactions."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from console.app.run_view import RunView
from console.app.timeline.bits import Wire
from console.pipeline.evidence import BusLines
from console.timeline.clocks import ClockMap
from console.timeline.events import EVENT_TABLES
from console.timeline.words import event_row
from decoders.buses.bit_cells import MARGIN_NS, bit_cells

MOST_NS = 2_000_000_000  # a longer transaction is looked at from its beginning only
MOST_EDGES = 40_000


def wire_under(view: RunView, k: int) -> Wire | str:
    """The wire under event k; in words why there is none.

    Args:
        view: the run.
        k: an event.
    """
    table, row = event_row(view.tables, view.events, k)
    span = _span(view, table, row)
    if span is None:
        return "no levels belong to it: choose a transaction or packet to see its bits"
    bus, begin_ns, end_ns, restarted, stuck = span
    lines = _lines(view, bus)
    if lines is None:
        return "no capture has this bus"
    source, found = lines
    kept = view.evidence.wires.get(source)
    if kept is None:
        return "the levels of this capture were not kept"
    begin, end = (native_ns(view.evidence.clocks[source], t) for t in (begin_ns, end_ns))
    end = min(end, begin + MOST_NS)
    near = kept.span(begin - MARGIN_NS, end + MARGIN_NS + (found.held_ns if stuck else 0))
    if kept.trouble or not len(near.t_ns):
        return kept.trouble or "no levels were observed here"
    if len(near.t_ns) > MOST_EDGES:
        end = int(near.t_ns[MOST_EDGES])
    cells = bit_cells(
        near,
        *found.bits,
        begin,
        end,
        spike_ns=found.spike_ns,
        held_ns=found.held_ns,
        restarted=restarted,
    )
    return Wire(cells, near, *found.bits, found.scl, found.sda)


def _span(
    view: RunView, table: str, row: Mapping[str, object]
) -> tuple[str, int, int, bool, bool] | None:
    """Bus, begin, end, whether a repeated START began it, whether it ended stuck."""
    if table == "exchanges":
        return _around(view, int(str(row["request_ns"])))
    if table not in ("transactions", "packets", "line_states"):
        return None
    begin, end = int(str(row["start_ns"])), int(str(row["end_ns"]))
    if table == "packets":
        found = _around(view, begin)
        if found is None:
            return None
        return found[0], begin, max(end, begin), found[3], found[4]
    stuck = table == "line_states" or row["ended_by"] == "stuck"
    return str(row["bus"]), begin, end, row.get("started_by") == "restart", stuck


def _around(view: RunView, t_ns: int) -> tuple[str, int, int, bool, bool] | None:
    """The transaction that begins at a time."""
    transactions = view.tables["transactions"]
    at = transactions["start_ns"].search_sorted(t_ns, side="left")
    if at >= transactions.height or transactions["start_ns"][at] != t_ns:
        return None
    row = transactions.row(at, named=True)
    return (
        row["bus"],
        row["start_ns"],
        row["end_ns"],
        row["started_by"] == "restart",
        row["ended_by"] == "stuck",
    )


def _lines(view: RunView, bus: str) -> tuple[str, BusLines] | None:
    for report in view.evidence.sources:
        for lines in report.buses:
            if lines.name == bus:
                return report.name, lines
    return None


def native_ns(clock: ClockMap, common_ns: int) -> int:
    """A common time on a capture's own clock: `common_ns` of `ClockMap` undone, to the ns."""
    piece = next((p for p in clock.pieces if p.from_ns <= common_ns <= p.until_ns), clock.pieces[0])
    native = round((common_ns - piece.offset_ns) / (1 + piece.drift_ppm * 1e-6))
    for near in (native, native - 1, native + 1):  # drift is rounded to the ns on the way there
        if int(clock.common_ns(np.array([near], np.int64), np.zeros(1, np.int64))[0]) == common_ns:
            return near
    return native


def has_wire(view: RunView, k: int) -> bool:
    """Whether an event is of a table that levels lie under."""
    return EVENT_TABLES[int(view.events.table[k])] in (
        "transactions",
        "packets",
        "line_states",
        "exchanges",
    )
