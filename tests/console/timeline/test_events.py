"""One index over the events of all tables: each shown once, in time, in its party's column."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.model import Bench, Device
from console.bench.tables import TABLES
from console.timeline.events import (
    BAD,
    EVENT_TABLES,
    GOOD,
    ODD,
    UNSEEN,
    Events,
    band_column,
    events_of,
    row_time,
)
from console.timeline.links.table import SCHEMA
from console.timeline.parties import parties_of

Row = dict[str, object]
MS = 1_000_000
CAMERA = Device(name="camera", bus="i2c", address=0x2E)
HOPPER = Device(name="hopper", bus="i2c", address=0x29)
BENCH = Bench(devices=[CAMERA, HOPPER])


def tables_of(**rows: list[Row]) -> dict[str, pl.DataFrame]:
    return {
        name: pl.DataFrame(rows.get(name, []), schema=schema)
        for name, schema in {**TABLES, "links": SCHEMA}.items()
    }


def events(bench: Bench = BENCH, **rows: list[Row]) -> Events:
    tables = tables_of(**rows)
    return events_of(tables, parties_of(tables, bench))


def shown(found: Events) -> list[tuple[str, int]]:
    """Table and row of each event, in order."""
    names = [EVENT_TABLES[k] for k in found.table.tolist()]
    return list(zip(names, found.row.tolist(), strict=True))


def transaction(at: int, address: int | None = 0x2E, **more: object) -> Row:
    row: Row = {"start_ns": at, "end_ns": at + 5, "bus": "i2c", "address": address}
    return row | {"address_bits": 7, "address_acked": True, "problems": []} | more


def packet(at: int, until: int, device: str = "camera", *, valid: bool = True) -> Row:
    row: Row = {"start_ns": at, "end_ns": until, "bus": "i2c", "device": device}
    return row | {"packet": "blocks", "valid": valid}


def line(at: int | None, text: str = "x", **more: object) -> Row:
    row: Row = {"t_ns": at, "source": "log", "text": text, "damaged": False}
    return row | more


def test_every_event_of_every_table_stands_in_time() -> None:
    found = events(
        transactions=[transaction(40, None)],
        words=[{"start_ns": 30, "device": "shift", "problems": []}],
        pulses=[{"start_ns": 20, "line": "trigger"}],
        prints=[line(10), line(50)],
        messages=[{"t_ns": 25, "source": "broker"}],
    )
    assert found.t_ns.tolist() == [10, 20, 25, 30, 40, 50]
    assert shown(found) == [
        ("prints", 0), ("pulses", 0), ("messages", 0), ("words", 0), ("transactions", 0),
        ("prints", 1),
    ]  # fmt: skip


def servo(widths_us: Sequence[float], pause_after: int = -1) -> list[Row]:
    """A pulse every 20 ms, and a longer pause after one of them."""
    rows: list[Row] = []
    for k, width in enumerate(widths_us):
        late = 5 * 20 * MS * (0 <= pause_after < k)
        period = None if not k else 20 * MS * (6 if k == pause_after + 1 else 1)
        rows.append({"start_ns": k * 20 * MS + late, "source": "wire", "line": "gate", "high": True,
                     "width_ns": round(width * 1000), "period_ns": period,
                     "angle_deg": (width - 1000) * 0.18})  # fmt: skip
    return rows


@pytest.mark.parametrize(
    ("widths_us", "pause_after", "told"),
    [
        ([1500] * 20, -1, [0]),
        ([1500] * 10 + [1600] * 10, -1, [0, 10]),
        ([1500, 1503, 1498, 1501, 1520, 1500], -1, [0, 4, 5]),  # it scatters, and twitches once
        ([1501 + 2 * k for k in range(60)], -1, [0, 12, 37]),  # it creeps
        ([1500] * 10, 4, [0, 5]),  # its signal was gone for a while
    ],
)
def test_of_a_steady_servo_command_the_first_pulse_is_told(
    widths_us: list[float], pause_after: int, told: list[int]
) -> None:
    found = events(pulses=servo(widths_us, pause_after))
    assert shown(found) == [("pulses", k) for k in told]


def test_an_empty_run_has_no_events() -> None:
    found = events()
    assert len(found) == found.at(5) == 0
    assert found.find("prints", 0) is None


def test_links_may_not_have_been_looked_for() -> None:
    tables = tables_of(prints=[line(1)])
    del tables["links"]
    assert len(events_of(tables, parties_of(tables, BENCH))) == 1


def test_a_transaction_is_shown_by_the_packet_that_was_decoded_from_it() -> None:
    found = events(
        transactions=[transaction(10), transaction(20), transaction(30)],
        packets=[packet(10, 15), packet(30, 35)],
    )
    assert shown(found) == [("packets", 0), ("transactions", 1), ("packets", 1)]


def test_a_packet_shows_all_transactions_it_was_read_over() -> None:
    found = events(
        transactions=[transaction(10), transaction(20), transaction(30), transaction(40)],
        packets=[packet(10, 35)],
    )
    assert shown(found) == [("packets", 0), ("transactions", 3)]


def test_a_packet_does_not_show_what_another_device_did_meanwhile() -> None:
    found = events(
        transactions=[transaction(10), transaction(20, 0x29), transaction(30)],
        packets=[packet(10, 35)],
    )
    assert shown(found) == [("packets", 0), ("transactions", 1)]


def test_two_packets_of_one_transaction_are_both_shown_and_it_is_not() -> None:
    found = events(transactions=[transaction(10)], packets=[packet(10, 12), packet(10, 15)])
    assert shown(found) == [("packets", 0), ("packets", 1)]


def test_a_packet_without_length_shows_its_transaction() -> None:
    found = events(transactions=[transaction(10), transaction(11)], packets=[packet(10, 10)])
    assert shown(found) == [("packets", 0), ("transactions", 1)]


def test_packets_of_a_device_nobody_names_show_their_transactions() -> None:
    found = events(
        Bench(),
        transactions=[transaction(10), transaction(20, address_acked=False)],
        packets=[packet(10, 15, "0x2E")],
    )
    assert shown(found) == [("packets", 0), ("transactions", 1)]
    assert found.party.tolist() == [0, 0]


def test_an_exchange_is_shown_only_where_no_reply_came() -> None:
    outcomes = ["answered", "invalid", "late", "none", "not-observable"]
    found = events(
        exchanges=[
            {"request_ns": k, "device": "camera", "outcome": outcome}
            for k, outcome in enumerate(outcomes)
        ]
    )
    assert found.row.tolist() == [3, 4]
    assert found.state.tolist() == [BAD, UNSEEN]


def test_of_links_only_those_that_did_not_happen_are_shown_when_they_were_due() -> None:
    outcomes = ["seen", "missing", "not-observed"]
    found = events(
        links=[
            {"from_ns": 0, "to_ns": 7 + k, "to_party": 1, "outcome": outcome}
            for k, outcome in enumerate(outcomes)
        ]
    )
    assert found.t_ns.tolist() == [8, 9]
    assert found.party.tolist() == [1, 1]
    assert found.state.tolist() == [BAD, UNSEEN]


def test_a_line_without_a_time_is_left_out() -> None:
    found = events(prints=[line(5), line(None)])
    assert shown(found) == [("prints", 0)]


def test_a_log_without_any_time_has_no_events() -> None:
    assert len(events(prints=[line(None), line(None)])) == 0


def test_a_held_line_is_shown_and_an_idle_one_is_not() -> None:
    states = {"idle": None, "sda-held": BAD, "both-held": BAD, "busy": ODD, "not-observed": UNSEEN}
    found = events(
        line_states=[
            {"start_ns": k, "bus": "i2c", "state": state} for k, state in enumerate(states)
        ]
    )
    assert found.row.tolist() == [1, 2, 3, 4]
    assert found.state.tolist() == [BAD, BAD, ODD, UNSEEN]


STATES = [
    ("transactions", transaction(1, None), GOOD),
    ("transactions", transaction(1, None, problems=["address-nack"]), BAD),
    ("packets", packet(1, 2), GOOD),
    ("packets", packet(1, 2, valid=False), BAD),
    ("prints", line(1), GOOD),
    ("prints", line(1, level="info"), GOOD),
    ("prints", line(1, level="warning"), ODD),
    ("prints", line(1, level="error"), BAD),
    ("prints", line(1, damaged=True), ODD),
    ("messages", {"t_ns": 1, "source": "broker"}, GOOD),
    ("messages", {"t_ns": 1, "source": "broker", "duplicate": True}, ODD),
    ("words", {"start_ns": 1, "device": "shift", "problems": []}, GOOD),
    ("words", {"start_ns": 1, "device": "shift", "problems": ["short"]}, BAD),
    ("pulses", {"start_ns": 1, "line": "trigger"}, GOOD),
]


@pytest.mark.parametrize(("table", "row", "state"), STATES)
def test_what_is_wrong_with_an_event_is_seen_without_its_row(
    table: str, row: Row, state: int
) -> None:
    tables = tables_of(**{table: [row]})
    assert events_of(tables, parties_of(tables, BENCH)).state.tolist() == [state]


def test_causes_stand_before_effects_of_the_same_time() -> None:
    found = events(
        messages=[{"t_ns": 5, "source": "broker"}],
        prints=[line(5)],
        packets=[packet(5, 6)],
        exchanges=[{"request_ns": 5, "device": "camera", "outcome": "none"}],
        links=[{"to_ns": 5, "to_party": 0, "outcome": "missing"}],
    )
    tables = [table for table, _ in shown(found)]
    assert tables == ["packets", "exchanges", "prints", "messages", "links"]


def test_lines_of_the_same_time_stay_in_the_order_of_their_log() -> None:
    found = events(prints=[line(5, str(k)) for k in range(100)])
    assert found.row.tolist() == list(range(100))


@settings(deadline=None)
@given(
    times=st.lists(st.integers(-50, 50), max_size=30).map(sorted),
    asked=st.integers(-60, 60),
)
def test_the_event_at_a_time_is_none_further_than_another(times: list[int], asked: int) -> None:
    found = events(prints=[line(t) for t in times])
    distances = [abs(t - asked) for t in times]
    assert distances[found.at(asked) : found.at(asked) + 1] == sorted(distances)[:1]


def test_the_later_of_two_equally_near_events_is_taken() -> None:
    found = events(prints=[line(0), line(10), line(20)])
    assert [found.at(t) for t in (-9, 4, 5, 14, 15, 99)] == [0, 0, 1, 1, 2, 2]


def test_the_event_of_a_row_is_found() -> None:
    found = events(prints=[line(7), line(9)], messages=[{"t_ns": 8, "source": "broker"}])
    assert [found.find("prints", 1), found.find("messages", 0)] == [2, 1]
    assert found.find("messages", 1) is None


def test_bands_of_rows_are_minus_one_where_there_is_no_place_on_the_axis() -> None:
    table = tables_of(prints=[line(1, band_ns=5), line(2), line(3, band_ns=0)])["prints"]
    assert band_column(table, np.array([2, 1, 0], np.uint32)).tolist() == [0, -1, 5]


@pytest.mark.parametrize("table", EVENT_TABLES)
def test_events_have_the_time_of_a_column_of_their_table(table: str) -> None:
    assert row_time(table) in {**TABLES, "links": SCHEMA}[table]


def test_an_event_takes_sixteen_bytes() -> None:
    found = events(prints=[line(k) for k in range(10)])
    columns = (found.t_ns, found.table, found.row, found.party, found.state)
    assert sum(column.nbytes for column in columns) == 10 * 16
