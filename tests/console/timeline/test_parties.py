"""Parties: which columns a run has, and in which of them each row stands."""

from __future__ import annotations

import polars as pl

from console.bench.model import Bench, Device, MessagesSource, PrintsSource
from console.bench.tables import TABLES
from console.timeline.parties import MOST_ADDRESSES, Parties, Party, parties_of

Row = dict[str, object]


def tables_of(**rows: list[Row]) -> dict[str, pl.DataFrame]:
    return {
        name: pl.DataFrame(rows.get(name, []), schema=schema) for name, schema in TABLES.items()
    }


def transaction(
    address: int | None, *, acked: bool = True, bus: str = "i2c", bits: int = 7, at: int = 0
) -> Row:
    return {
        "start_ns": at,
        "bus": bus,
        "address": address,
        "address_bits": bits,
        "address_acked": None if address is None else acked,
    }


def names(parties: Parties) -> list[str]:
    return [party.name for party in parties.every]


def columns(parties: Parties, tables: dict[str, pl.DataFrame], table: str) -> list[str]:
    """The name of the party of each row."""
    found = tables[table].select(column=parties.column_of(table))["column"].to_list()
    return [parties.every[k].name for k in found]


CAMERA = Device(name="camera", bus="i2c", address=0x2E, party="eye")


def test_parties_stand_from_cause_to_effect() -> None:
    tables = tables_of(
        prints=[{"source": "board.log"}],
        transactions=[transaction(0x2E), transaction(None)],
        messages=[{"source": "broker.jsonl"}],
        pulses=[{"line": "trigger"}],
    )
    parties = parties_of(tables, Bench(devices=[CAMERA]))
    assert parties.every == (
        Party("board.log", "board"),
        Party("eye", "device", "0x2E on i2c"),
        Party("i2c", "bus"),
        Party("trigger", "device"),
        Party("broker.jsonl", "network"),
    )


def test_a_source_stands_in_the_column_of_the_party_it_is_given() -> None:
    bench = Bench(
        sources=[
            PrintsSource(name="uart0", party="controller"),
            PrintsSource(name="uart1", party="controller"),
            MessagesSource(name="broker", party="line"),
        ]
    )
    tables = tables_of(prints=[{"source": "uart1"}, {"source": "uart0"}])
    parties = parties_of(tables, bench)
    assert names(parties) == ["controller", "line"]
    assert columns(parties, tables, "prints") == ["controller", "controller"]


def test_an_empty_run_has_the_parties_its_bench_names() -> None:
    bench = Bench(sources=[PrintsSource(name="uart")], devices=[CAMERA])
    assert names(parties_of(tables_of(), bench)) == ["uart", "eye"]


def test_loose_files_have_a_column_for_each_source_and_address() -> None:
    tables = tables_of(
        prints=[{"source": "board.log"}],
        transactions=[transaction(0x29), transaction(0x2E), transaction(0x150, bits=10)],
    )
    parties = parties_of(tables, Bench())
    assert names(parties) == ["board.log", "0x29 on i2c", "0x2E on i2c", "0x150 on i2c"]
    assert columns(parties, tables, "transactions") == names(parties)[1:]


def test_a_device_nobody_names_stands_in_one_column_with_its_address() -> None:
    tables = tables_of(
        transactions=[transaction(0x2E, at=5), transaction(0x2E, acked=False, at=9)],
        packets=[{"start_ns": 5, "end_ns": 6, "bus": "i2c", "device": "0x2E"}],
        exchanges=[{"request_ns": 9, "device": "0x2E", "outcome": "none"}],
    )
    parties = parties_of(tables, Bench())
    assert names(parties) == ["0x2E on i2c"]
    assert columns(parties, tables, "packets") == ["0x2E on i2c"]
    assert columns(parties, tables, "exchanges") == ["0x2E on i2c"]


def test_a_scan_of_every_address_gives_columns_to_those_that_answered() -> None:
    scan = [transaction(k, acked=k in (0x29, 0x2E), at=k) for k in range(0x08, 0x78)]
    tables = tables_of(transactions=scan)
    parties = parties_of(tables, Bench())
    assert len(scan) == 112  # UM10204 table 4: 0x00 to 0x07 and 0x78 to 0x7F are reserved
    assert names(parties) == ["0x29 on i2c", "0x2E on i2c", "i2c"]
    assert columns(parties, tables, "transactions").count("i2c") == 110


def test_the_busiest_addresses_of_each_bus_have_a_column() -> None:
    rows = [
        transaction(address, bus=bus)
        for bus in ("a", "b")
        for address in range(0x10, 0x1A)
        for _ in range(address)
    ]
    found = names(parties_of(tables_of(transactions=rows), Bench()))
    busiest = [f"0x{address:02X}" for address in range(0x1A - MOST_ADDRESSES, 0x1A)]
    assert found == [f"{a} on {bus}" for bus in "ab" for a in busiest] + ["a", "b"]


def test_one_address_on_two_buses_is_two_devices() -> None:
    tables = tables_of(transactions=[transaction(0x2E, bus="a"), transaction(0x2E, bus="b")])
    parties = parties_of(tables, Bench())
    assert columns(parties, tables, "transactions") == ["0x2E on a", "0x2E on b"]


def test_a_held_line_is_the_doing_of_its_bus() -> None:
    states = [
        {"start_ns": k, "bus": bus, "state": state}
        for k, (bus, state) in enumerate([("a", "idle"), ("b", "sda-held")])
    ]
    tables = tables_of(line_states=states)
    parties = parties_of(tables, Bench())
    assert parties.every == (Party("b", "bus"),)
    assert columns(parties, tables, "line_states")[1] == "b"


def test_a_transaction_whose_address_was_not_seen_is_its_bus_s() -> None:
    tables = tables_of(transactions=[transaction(0x2E), transaction(None)])
    parties = parties_of(tables, Bench(devices=[CAMERA]))
    assert columns(parties, tables, "transactions") == ["eye", "i2c"]


def test_a_finding_finds_its_column_by_party_device_or_source() -> None:
    bench = Bench(sources=[PrintsSource(name="uart", party="board")], devices=[CAMERA])
    parties = parties_of(tables_of(prints=[{"source": "uart"}]), bench)
    found = [parties.of_finding(name) for name in ("camera", "eye", "uart", "board", "nobody")]
    assert found == [1, 1, 0, 0, None]
