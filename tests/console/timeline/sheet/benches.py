"""Small made-up runs for the tests of the sheet, with what they say as one simple list."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeVar

import numpy as np
import polars as pl

from console.bench.load import BenchFile
from console.bench.model import Bench, Device
from console.pipeline.bus_devices import device_rows, pec_marked
from console.pipeline.tables import empty_tables
from console.timeline.events import events_of
from console.timeline.explained import explained
from console.timeline.parties import parties_of
from console.timeline.sheet.lines import Field, Sheet
from console.timeline.sheet.run import Run
from console.timeline.tables.bus_tables import transactions_frame
from decoders.buses.transactions import Transactions
from decoders.packets.columns import Packets, joined
from decoders.packets.decoder import PacketDecoder
from decoders.packets.resolve import read_packets
from tests.decoders.packets.tables import ADDRESS, Row, transactions_of

Tables = dict[str, pl.DataFrame]
T = TypeVar("T")


def bench_of(description: str | None, *, pec: bool = False) -> BenchFile:
    """A bench with one device, the camera at 2E."""
    device = Device(name="camera", bus="i2c-1", address=ADDRESS, pec=pec)
    packets = {} if description is None else {"camera": read_packets(description, "p.toml")}
    return BenchFile(Bench(devices=[device]), packets)


def tables_of(wire: Transactions, file: BenchFile) -> Tables:
    """The tables of a run that is a capture of one bus."""
    wire = pec_marked(wire, "i2c-1", file.bench.devices)
    tables = empty_tables()
    known = {"transactions": [transactions_frame(wire, "wire", "i2c-1")]}
    until_ns = int(wire.end_ns[-1]) + 10**9 if len(wire) else 0
    for rows in device_rows(wire, "i2c-1", file, None, until_ns):
        known["packets"], known["exchanges"] = [rows.packets], [rows.exchanges]
    for name, frames in known.items():
        found = [frame.with_columns(band_ns=pl.lit(0, pl.Int64)) for frame in frames]
        tables[name] = pl.concat([tables[name], *found], how="vertical_relaxed")
        first = tables[name].columns[0]
        tables[name] = tables[name].sort(first, maintain_order=True)
    return tables


def run_of(rows: Sequence[Row], description: str | None, *, pec: bool = False) -> Run:
    """A run of transactions of the camera, 1 ms apart."""
    file = bench_of(description, pec=pec)
    tables = tables_of(transactions_of(rows), file)
    return Run(tables, file, parties_of(tables, file.bench), 0)


def decoded(rows: Sequence[Row], description: str, *, pec: bool = False) -> Packets:
    """What the decoder gives for the same transactions, by start."""
    decoder = PacketDecoder(read_packets(description, "p.toml"), ADDRESS, pec=pec)
    return joined([decoder.feed(transactions_of(rows)), decoder.finish()])


def in_start_order(packets: Packets) -> list[int]:
    """Rows of packets as their table has them."""
    order: list[int] = np.argsort(packets.start_ns, kind="stable").tolist()
    return order


def sheet_of(
    tables: Mapping[str, pl.DataFrame], table: str, row: int, file: BenchFile | None = None
) -> Sheet:
    """The sheet of one row."""
    full = {**empty_tables(), **tables}
    parties = parties_of(full, file.bench if file is not None else Bench())
    events = events_of(full, parties)
    k = events.find(table, row)
    assert k is not None
    return explained(full, file, parties, events, k)


def field(sheet: Sheet, name: str) -> Field:
    """The first field of a name."""
    return next(f for f in of_kind(sheet, Field) if f.name == name)


def of_kind(sheet: Sheet, kind: type[T]) -> list[T]:
    """The lines of one kind."""
    return [line for line in sheet.lines if isinstance(line, kind)]
