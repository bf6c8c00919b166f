"""From a row of a table to the levels under it: drawn bits against the row, for whole runs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from captures_demo.simulator import TRAFFIC_FAULTS, random_traffic
from captures_demo.simulator.writers.delimited import LAYOUTS, delimited
from console.app.run_view import RunView, view_of
from console.app.signs import UNICODE
from console.app.timeline import wire_at
from console.app.timeline.bits import Wire, wire_rows
from console.app.timeline.wire_at import wire_under
from console.pipeline.inputs import Overrides, settled
from console.pipeline.reading import read_all
from console.pipeline.settling import evidence_of
from console.timeline.events import EVENT_TABLES
from tests.console.app.timeline.reading_back import bits_of
from tests.console.app.timeline.views import PRINTED, demo_with_levels, made_view

TOKEN = re.compile(r"Sr|S(?!r)|P|[01AN?]|[RW]")


def simulated(seed: int, folder: Path, clock_ns: int = 0) -> RunView:
    """A run with every fault that traffic may have, through files and the whole pipeline."""
    run = random_traffic(seed, faults=list(TRAFFIC_FAULTS), acts=30)
    path = folder / "wire.csv"
    path.write_bytes(b"".join(delimited(run.recorded(), LAYOUTS["plain"])))
    clock = [f"wire=+{clock_ns}ns"] if clock_ns else []
    inputs = settled([str(path)], Overrides(clock=clock))
    reading = read_all(inputs, keep_edges=True)
    return view_of(evidence_of(reading), inputs.bench, inputs.file)


def transactions(view: RunView) -> Iterator[tuple[int, dict[str, Any]]]:
    table = EVENT_TABLES.index("transactions")
    for k in np.flatnonzero(view.events.table == table).tolist():
        yield k, view.tables["transactions"].row(int(view.events.row[k]), named=True)


def read_back(view: RunView, k: int, width: int) -> tuple[list[str], list[int], str]:
    """Conditions, whole bytes and their acknowledges of what is drawn under an event."""
    wire = wire_under(view, k)
    assert isinstance(wire, Wire)
    words = TOKEN.findall(bits_of(wire_rows(wire, width, UNICODE)))
    conditions = [word for word in words if word in ("S", "Sr", "P")]
    clocks = "".join(word for word in words if word not in ("S", "Sr", "P"))
    whole = [clocks[at : at + 9] for at in range(0, len(clocks) - 8, 9)]
    ones = str.maketrans("RWAN", "1001")
    return (
        conditions,
        [int(nine[:8].translate(ones), 2) for nine in whole],
        "".join("NA"[nine[8] in "A0"] for nine in whole),
    )


@pytest.mark.parametrize("width", [80, 140])
@pytest.mark.parametrize("seed", range(6))
def test_the_bits_drawn_under_a_transaction_are_the_bytes_of_its_row(
    seed: int, width: int, tmp_path: Path
) -> None:
    view = simulated(seed, tmp_path)
    begun, ended = {"start": "S", "restart": "Sr"}, {"stop": "P", "restart": "Sr", "start": "S"}
    compared = 0
    for k, row in transactions(view):
        conditions, values, acks = read_back(view, k, width)
        data = bytes.fromhex(row["data"] or "")
        assert bytes(values[len(values) - len(data) :]) == data
        assert acks[len(acks) - len(data) :] == (row["acks"] or "")
        assert conditions[:1] == [begun[row["started_by"]]]
        assert conditions[1:] == [ended[row["ended_by"]]] * (row["ended_by"] in ended)
        if row["address"] is not None and row["address_bits"] == 7 and values:
            assert values[0] == row["address"] << 1 | row["read"]
            assert acks[0] == "NA"[row["address_acked"]]
        compared += 1
    assert compared == view.tables["transactions"].height > 20


def test_a_capture_that_was_moved_on_the_axis_draws_the_same_bits(tmp_path: Path) -> None:
    plain, moved = simulated(3, tmp_path), simulated(3, tmp_path, 12_500_000_000)
    first = [read_back(plain, k, 140) for k, _ in transactions(plain)]
    assert [read_back(moved, k, 140) for k, _ in transactions(moved)] == first
    assert int(moved.events.t_ns[0] - plain.events.t_ns[0]) in (0, 12_500_000_000)


def test_every_packet_and_missing_reply_of_the_demo_has_its_wire() -> None:
    view = demo_with_levels()
    for table in ("packets", "exchanges"):
        events = np.flatnonzero(view.events.table == EVENT_TABLES.index(table))
        assert len(events)
        for k in events[:: max(len(events) // 60, 1)].tolist():
            conditions, values, _ = read_back(view, k, 140)
            assert {conditions[0], conditions[-1]} <= {"S", "Sr", "P"}
            assert values[0] >> 1 in (0x2E, 0x29)


def test_a_packet_that_begins_within_a_transaction_has_the_whole_of_it() -> None:
    view = demo_with_levels()
    k = int(np.flatnonzero(view.events.table == EVENT_TABLES.index("packets"))[40])
    row = int(view.events.row[k])
    packets = view.tables["packets"]
    begin_ns = int(packets["start_ns"][row])
    later = packets.with_columns(start_ns=packets["start_ns"].scatter([row], [begin_ns + 150_000]))
    moved = replace(view, tables={**view.tables, "packets": later})
    assert read_back(moved, k, 140) == read_back(view, k, 140)


def test_two_buses_at_one_time_are_not_mixed_up() -> None:
    view = demo_with_levels()
    k = int(np.flatnonzero(view.events.table == EVENT_TABLES.index("packets"))[40])
    begin_ns = int(view.events.t_ns[k])
    transactions = view.tables["transactions"]
    at = int(transactions["start_ns"].search_sorted(begin_ns))
    other = transactions[at].with_columns(bus=transactions["bus"][:1] + "-other")
    both = transactions[:at].vstack(other).vstack(transactions[at:])
    both = both[: at + 2].vstack(other).vstack(both[at + 2 :])  # before it, and behind it
    doubled = replace(view, tables={**view.tables, "transactions": both})
    assert read_back(doubled, k, 140) == read_back(view, k, 140)


def why_not(view: RunView, k: int) -> str:
    found = wire_under(view, k)
    assert isinstance(found, str)
    return found


def test_what_has_no_levels_says_so() -> None:
    view = demo_with_levels()
    k = int(np.flatnonzero(view.events.table == EVENT_TABLES.index("prints"))[0])
    assert why_not(view, k).startswith("no levels belong to it")


def test_of_lines_that_are_no_i2c_bus_it_is_said_that_bits_are_not_drawn() -> None:
    pulse = {"start_ns": 0, "end_ns": 9, "source": "w", "line": "gate", "high": True, "width_ns": 9}
    told = made_view({"pulses": [pulse]})
    assert why_not(told, 0) == "its levels are not drawn: bits are shown of I2C alone"


def test_levels_that_were_not_kept_are_told_from_a_bus_without_a_capture() -> None:
    view = demo_with_levels()
    k = int(np.flatnonzero(view.events.table == EVENT_TABLES.index("packets"))[0])
    bare = replace(view, evidence=replace(view.evidence, wires={}))
    assert why_not(bare, k) == "the levels of this capture were not kept"
    none = replace(view, evidence=replace(view.evidence, sources=[]))
    assert why_not(none, k) == "no capture has this bus"
    told = made_view({"prints": [{"t_ns": 0, "source": "b", "text": "x"} | PRINTED]})
    assert why_not(told, 0).startswith("no levels belong to it")


def test_of_more_edges_than_can_be_looked_at_the_first_are_drawn(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    view = demo_with_levels()
    k = int(np.flatnonzero(view.events.table == EVENT_TABLES.index("packets"))[1])
    whole = bits_of(wire_rows(*drawn(view, k)))
    monkeypatch.setattr(wire_at, "MOST_EDGES", 60)
    wire, width, signs = drawn(view, k)
    assert len(wire.edges.t_ns) <= 61
    part = bits_of(wire_rows(wire, width, signs)).rstrip("?")
    assert 10 < len(part) < len(whole)
    assert whole.startswith(part)


def drawn(view: RunView, k: int) -> tuple[Wire, int, Any]:
    wire = wire_under(view, k)
    assert isinstance(wire, Wire)
    return wire, 140, UNICODE
