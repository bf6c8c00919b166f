"""What the parts of a sheet look things up in: the tables, the bench, the start of the axis."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from console.bench.load import BenchFile
from console.bench.model import Device
from console.timeline.parties import Parties
from console.timeline.times import since_start
from decoders.durations import in_words
from decoders.packets.layout import PacketKind, PacketSet

Row = Mapping[str, Any]

_ADDRESS = re.compile(r"0x([0-9A-Fa-f]{1,3})(?: on .*)?")  # a device known by its address alone
_METHOD_WORDS = {
    "axis": "the common axis",
    "declared": "offset declared",
    "equal-values": "tied by equal values",
    "wall-clock": "tied by date and time",
    "reset-silence": "tied by a silence of the bus",
    "chosen": "offset chosen by hand",
    "none": "not aligned: its times say nothing beside other sources",
}


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One run, as the sheet needs it."""

    tables: Mapping[str, pl.DataFrame]
    file: BenchFile | None
    parties: Parties
    start_ns: int
    loose: PacketSet | None = None  # a description of devices that the bench does not name

    def device(self, name: str) -> Device | None:
        """The bench's device of that name."""
        devices = self.file.bench.devices if self.file is not None else []
        return next((d for d in devices if d.name == name), None)

    def device_at(self, bus: str, address: int) -> Device | None:
        """The bench's device at an address."""
        devices = self.file.bench.devices if self.file is not None else []
        return next((d for d in devices if (d.bus, d.address) == (bus, address)), None)

    def address(self, device: str) -> int | None:
        """The address of a device as tables name it."""
        known = self.device(device)
        if known is not None:
            return known.address
        told = _ADDRESS.fullmatch(device)
        return int(told[1], 16) if told else None

    def packet_set(self, device: str) -> PacketSet | None:
        """What the packets of a device look like."""
        described = self.file.packets.get(device) if self.file is not None else None
        return described or self.loose

    def kind(self, device: str, packet: str) -> PacketKind | None:
        """The description of one kind of packet."""
        packets = self.packet_set(device)
        kinds = packets.kinds if packets is not None else ()
        return next((kind for kind in kinds if kind.name == packet), None)

    def bus_of(self, device: str) -> str | None:
        """The bus a device is on: the bench's, or that of its packets."""
        known = self.device(device)
        if known is not None:
            return known.bus
        buses = self.tables["packets"].filter(pl.col("device") == device).head(1)["bus"]
        return str(buses[0]) if len(buses) else None

    def time(self, t_ns: int, band_ns: int | None = 0) -> str:
        """A moment since the start of the run, to microseconds at most."""
        band_ns = max(band_ns or 0, 1_000)
        return since_start(t_ns - self.start_ns, band_ns)

    def clock(self, source: str, t_ns: int) -> str:
        """Whose clock timed an event of a source, and how that came onto the axis."""
        clocks = self.tables.get("clocks")
        if clocks is None or not source:
            return source
        rows = clocks.filter(pl.col("source") == source)
        here = rows.filter((pl.col("from_ns") <= t_ns) & (pl.col("until_ns") >= t_ns))
        rows = here if here.height else rows
        if not rows.height:
            return source
        row = rows.row(0, named=True)
        words = f"{source}, {row['clock']} clock: {_METHOD_WORDS.get(row['method'], row['method'])}"
        return f"{words}, ambiguous" if row["ambiguous"] else words


def ago(run_ns: int, then_ns: int) -> str:
    """How long before: `0.999 s before`."""
    return f"{in_words(max(run_ns - then_ns, 0))} before"
