"""The devices of one bus: their packets and exchanges from its transactions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from console.bench.load import BenchFile
from console.bench.model import Device
from console.timeline.tables.packet_tables import exchanges_frame, packets_frame
from decoders.buses.smbus_pec import with_pec
from decoders.buses.transactions import Transactions
from decoders.packets.decoder import PacketDecoder
from decoders.packets.exchanges import ExchangeDecoder
from decoders.packets.layout import PacketSet

SPEAKS_SHARE = 0.5  # a device whose packets are mostly right speaks the language of a description


@dataclass(frozen=True, slots=True, eq=False)
class DeviceRows:
    """What one device said, as tables on its capture's own clock."""

    device: str
    packets: pl.DataFrame
    exchanges: pl.DataFrame


def pec_marked(table: Transactions, bus: str, devices: Sequence[Device]) -> Transactions:
    """Transactions with the `pec` problem where a device that uses it sent a wrong one."""
    addresses = {device.address for device in devices if device.bus == bus and device.pec}
    return with_pec(table, addresses) if addresses else table


def device_rows(
    table: Transactions, bus: str, file: BenchFile, loose: PacketSet | None, until_ns: int
) -> list[DeviceRows]:
    """Packets and exchanges of every described device of a bus.

    Args:
        table: the transactions of the whole bus.
        bus: its name.
        file: the bench and the packet descriptions of its devices.
        until_ns: how long the bus was observed.
        loose: a description whose device is not named: every address that speaks it is one.
    """
    found = []
    described = {d.name for d in file.bench.devices if d.bus == bus and d.name in file.packets}
    for device in file.bench.devices:
        if device.name in described:
            packet_set = file.packets[device.name]
            rows = _decoded(
                table, packet_set, device.address, device.pec, bus, device.name, until_ns
            )
            found.append(rows)
    if loose is not None:
        taken = {d.address for d in file.bench.devices if d.name in described}
        found += _speakers(table, bus, loose, taken, file.bench.devices, until_ns)
    return found


def _speakers(
    table: Transactions,
    bus: str,
    loose: PacketSet,
    taken: set[int],
    devices: Sequence[Device],
    until_ns: int,
) -> Iterator[DeviceRows]:
    """Every address most of whose packets are right by a description nobody claimed."""
    names = {device.address: device.name for device in devices if device.bus == bus}
    for address in np.unique(table.address).tolist():
        if address < 0 or address in taken:
            continue
        name = names.get(address, f"0x{address:02X}")
        rows = _decoded(table, loose, address, False, bus, name, until_ns)
        valid = rows.packets["valid"]
        if len(valid) and valid.mean() >= SPEAKS_SHARE:  # type: ignore[operator]
            yield rows


def _decoded(
    table: Transactions,
    packet_set: PacketSet,
    address: int,
    pec: bool,
    bus: str,
    name: str,
    until_ns: int,
) -> DeviceRows:
    decoder, pairs = PacketDecoder(packet_set, address, pec=pec), ExchangeDecoder(packet_set)
    packets = [decoder.feed(table), decoder.finish()]
    exchanges = [*(pairs.feed(part) for part in packets), pairs.finish(until_ns)]
    return DeviceRows(
        name,
        pl.concat([packets_frame(part, packet_set, bus, name) for part in packets]),
        pl.concat([exchanges_frame(part, packet_set, name) for part in exchanges]),
    )
