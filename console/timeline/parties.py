"""Parties: who does or sees something; each is a column of the timeline."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import UnionType
from typing import Literal

import polars as pl

from console.bench.model import Bench, CaptureSource, MessagesSource, NetworkSource, PrintsSource

Kind = Literal["board", "device", "bus", "network"]
KINDS: tuple[Kind, ...] = ("board", "device", "bus", "network")  # from cause to effect

# A bus scan touches every address; only those that carry traffic deserve a column of their own.
MOST_ADDRESSES = 6


@dataclass(frozen=True, slots=True)
class Party:
    """One column: its name (from outside, not cleaned) and what kind of party it is."""

    name: str
    kind: Kind
    note: str = ""  # what else tells it apart: "0x2E on i2c-1"


@dataclass(frozen=True, slots=True)
class Parties:
    """All parties of a run in the order of their columns, and whose each row of a table is."""

    every: tuple[Party, ...]
    by_source: Mapping[str, int]  # source of prints or messages, or line of a capture
    by_device: Mapping[str, int]  # device name as in tables
    by_address: Mapping[tuple[str, int], int]  # bus, address
    by_bus: Mapping[str, int]

    def index(self, name: str) -> int | None:
        """Column of the party of that name."""
        return next((k for k, party in enumerate(self.every) if party.name == name), None)

    def of_finding(self, party: str) -> int | None:
        """Column of a finding's party: a party, a device or a source of that name."""
        for known in (self.by_device, self.by_source, self.by_bus):
            if party in known:
                return known[party]
        return self.index(party)

    def column_of(self, table: str) -> pl.Expr:
        """Whose column each row of a table of events goes to, as UInt16 over its rows."""
        if table == "transactions":
            return self._of_transactions()
        if table == "words":  # of what no device was selected for, the bus
            device = _looked_up("device", self.by_device, None)
            return pl.coalesce(device, _looked_up("bus", self.by_bus, 0))
        known, column = {
            "packets": (self.by_device, "device"),
            "exchanges": (self.by_device, "device"),
            "prints": (self.by_source, "source"),
            "messages": (self.by_source, "source"),
            "happenings": (self.by_source, "source"),
            "pulses": (self.by_source, "line"),
            "line_states": (self.by_bus, "bus"),
        }[table]
        return _looked_up(column, known, 0)

    def _of_transactions(self) -> pl.Expr:
        """By bus and address; what is nobody's is the bus's."""
        party = _looked_up("bus", self.by_bus, 0)
        for bus in dict.fromkeys(bus for bus, _ in self.by_address):
            own = {address: k for (b, address), k in self.by_address.items() if b == bus}
            named = _looked_up("address", own, None)
            party = pl.when(pl.col("bus") == bus).then(pl.coalesce(named, party)).otherwise(party)
        return party


def _looked_up(
    column: str, known: Mapping[str, int] | Mapping[int, int], other: int | None
) -> pl.Expr:
    if not known:
        return pl.lit(other, pl.UInt16)
    return pl.col(column).replace_strict(dict(known), default=other, return_dtype=pl.UInt16)


class _Columns:
    """Parties as they are met; one name, one column."""

    def __init__(self) -> None:
        self.every: list[Party] = []

    def of(self, name: str, kind: Kind, note: str = "") -> int:
        for k, party in enumerate(self.every):
            if party.name == name:
                return k
        self.every.append(Party(name, kind, note))
        return len(self.every) - 1


def parties_of(tables: Mapping[str, pl.DataFrame], bench: Bench) -> Parties:
    """The parties of a run: boards that print, devices and busy addresses, buses, networks.

    Args:
        tables: the tables of events by name.
        bench: what it names; empty for loose files.
    """
    columns = _Columns()
    named = {source.name: source for source in bench.sources}
    by_source = {}
    for source in _seen(tables["prints"], "source", named, PrintsSource):
        by_source[source] = columns.of(_party(named, source), "board")
    by_device: dict[str, int] = {}
    by_address: dict[tuple[str, int], int] = {}
    by_bus: dict[str, int] = {}
    for device in bench.devices:
        note = f"0x{device.address:02X} on {device.bus}"
        column = columns.of(device.party or device.name, "device", note)
        by_device[device.name] = by_address[device.bus, device.address] = column
    for speaker, bus, address, bits in _speakers(tables, by_device):
        name = _address_name(bus, address, bits)
        by_address[bus, address] = by_device[speaker] = columns.of(name, "device")
    for bus, address, bits in _busy(tables["transactions"], by_address):
        name = _address_name(bus, address, bits)
        by_address[bus, address] = by_device[name] = columns.of(name, "device")
    told = _told_parties(bench)
    for table, column_name in (("packets", "device"), ("words", "device"), ("exchanges", "device")):
        for device in tables[table][column_name].unique(maintain_order=True).drop_nulls():
            if device not in by_device:
                by_device[device] = columns.of(told.get(device) or device, "device")
    for bus in _buses(tables, by_address):
        by_bus[bus] = columns.of(bus, "bus")
    lines = _parties_of_lines(bench)
    for line in tables["pulses"]["line"].unique(maintain_order=True).drop_nulls():
        by_source[line] = columns.of(lines.get(line, line), "device")
    for source in _seen(tables["messages"], "source", named, MessagesSource | NetworkSource):
        by_source[source] = columns.of(_party(named, source), "network")
    for source in tables["happenings"]["source"].unique(maintain_order=True).drop_nulls():
        if source not in by_source:  # recorded, and nothing but that happened to it
            kind: Kind = "bus" if isinstance(named.get(source), CaptureSource) else "network"
            by_source[source] = columns.of(_party(named, source), kind)
    return Parties(tuple(columns.every), by_source, by_device, by_address, by_bus)


def _told_parties(bench: Bench) -> dict[str, str]:
    """Parties of devices that are no I2C targets, by name, where the bench tells them."""
    told = {each.name: each.party for spi in bench.spis for each in spi.device}
    return told | {each.name: each.party for each in bench.rangings}


def _parties_of_lines(bench: Bench) -> dict[str, str]:
    """Whose the pulses of lines that the bench names are."""
    found = {each.name: each.party or each.name for each in bench.pulses}
    found |= {each.name: each.party or each.name for each in bench.servos}
    for each in bench.rangings:
        found |= dict.fromkeys((each.trigger_line, each.echo_line), each.party or each.name)
    return found


def _party(named: Mapping[str, object], source: str) -> str:
    return getattr(named.get(source), "party", "") or source


def _seen(
    table: pl.DataFrame, column: str, named: Mapping[str, object], kind: type | UnionType
) -> Sequence[str]:
    """Sources the bench names, then those only the table knows."""
    told = [name for name, source in named.items() if isinstance(source, kind)]
    return list(dict.fromkeys([*told, *table[column].unique(maintain_order=True).drop_nulls()]))


def _address_name(bus: str, address: int, bits: int) -> str:
    return f"0x{address:03X} on {bus}" if bits == 10 else f"0x{address:02X} on {bus}"


def _speakers(
    tables: Mapping[str, pl.DataFrame], known: Mapping[str, int]
) -> Iterator[tuple[str, str, int, int]]:
    """Devices that no bench names but whose packets were understood: name, bus, address, bits."""
    packets, transactions = tables["packets"], tables["transactions"]
    for device in packets["device"].unique(maintain_order=True).drop_nulls():
        if device in known:
            continue
        first = packets.filter(device=device).head(1)
        begins = transactions.filter(
            pl.col("address").is_not_null(), start_ns=first["start_ns"][0], bus=first["bus"][0]
        )
        for bus, address, bits in begins.select("bus", "address", "address_bits").head(1).rows():
            yield device, bus, address, bits


def _busy(
    transactions: pl.DataFrame, known: Mapping[tuple[str, int], int]
) -> list[tuple[str, int, int]]:
    """Addresses without a name that answered, the busiest of each bus, by bus and address."""
    rows = (
        transactions.filter(pl.col("address").is_not_null())
        .group_by("bus", "address", "address_bits")
        .agg(answered=pl.col("address_acked").sum())
        .filter(pl.col("answered") > 0)
        .sort("bus", "answered", "address", descending=[False, True, False])
    )
    found: list[tuple[str, int, int]] = []
    for bus, address, bits in rows.select("bus", "address", "address_bits").iter_rows():
        if (bus, address) not in known and sum(b == bus for b, _, _ in found) < MOST_ADDRESSES:
            found.append((bus, address, bits))
    return sorted(found)


def _buses(tables: Mapping[str, pl.DataFrame], known: Mapping[tuple[str, int], int]) -> list[str]:
    """Buses on which something happened that is nobody's: a held line, an unknown address."""
    transactions, states = tables["transactions"], tables["line_states"]
    pairs = transactions.select("bus", "address").unique(maintain_order=True)
    nobodys = [bus for bus, address in pairs.iter_rows() if (bus, address) not in known]
    held = states.filter(~pl.col("state").is_in(["idle"]))["bus"].unique(maintain_order=True)
    words = tables["words"].filter(pl.col("device").is_null())["bus"].unique(maintain_order=True)
    return sorted({*nobodys, *held, *words})
