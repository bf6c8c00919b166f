"""The transactions under a packet, and its bytes in them.

The packets table keeps no bytes: they are those of the transactions of its device that begin
within it. A packet that is one transaction has them but for its register number and PEC; one that
was cut from a stream is cut again, by the decoder that cut it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from console.timeline.sheet.run import Row, Run
from decoders.buses.transactions import ENDED_BY, PROBLEMS, STARTED_BY, Transactions
from decoders.checkcodes import check_code
from decoders.packets.columns import Packets, joined
from decoders.packets.decoder import PacketDecoder
from decoders.packets.layout import PacketKind, PacketSet

MOST_UNDER = 64  # transactions looked at under one packet, and before it where a stream is cut
MOST_IN_MESSAGE = 16  # transactions from one START to its STOP
PEC_CODE = check_code("CRC-8/SMBUS")  # SMBus 3.2 section 6.4


@dataclass(frozen=True, slots=True)
class OnWire:
    """The bytes of one packet and the transactions they were in."""

    data: bytes | None  # None: they could not be told
    prefix: bytes | None  # on the wire before it, as check codes cover them; None: not known
    rows: tuple[int, ...]  # of the transactions table


@dataclass(frozen=True, slots=True)
class Pec:
    """The SMBus packet error code of one message."""

    received: int
    computed: int
    over: int  # bytes, the address bytes among them
    at: int  # its place in the data of the last transaction


def on_wire(run: Run, at: int, packet: Row) -> OnWire:
    """The bytes of the packet in row `at` of the packets table."""
    transactions = run.tables["transactions"]
    address = run.address(str(packet["device"]))
    is_read = packet["direction"] == "read"
    under = rows_under(transactions, packet, address, is_read=is_read)
    if not under:
        return OnWire(None, None, ())
    packets = run.packet_set(str(packet["device"]))
    kind = run.kind(str(packet["device"]), str(packet["packet"]))
    framing = kind.framing if kind else packets.framing(read=is_read) if packets else "transaction"
    if framing != "transaction" and packets is not None and address is not None:
        data = _cut_again(run, at, packet, packets, address, under)
        return OnWire(data, None, tuple(under))
    return _whole(run, transactions, str(packet["device"]), under[0], kind)


def rows_under(
    transactions: pl.DataFrame, packet: Row, address: int | None, *, is_read: bool
) -> list[int]:
    """Rows of the acknowledged transactions of a device that begin within a packet."""
    start, end = int(packet["start_ns"]), int(packet["end_ns"])
    low = int(transactions["start_ns"].search_sorted(start, "left"))
    high = int(transactions["start_ns"].search_sorted(max(end, start + 1), "left"))
    window = transactions.slice(low, min(high - low, MOST_UNDER))
    mine = (pl.col("bus") == packet["bus"]) & (pl.col("read") == is_read) & pl.col("address_acked")
    if address is not None:
        mine &= pl.col("address") == address
    found = window.select(mine.fill_null(value=False).arg_true()).to_series()
    return [low + int(row) for row in found]


def transaction_bytes(row: Row) -> bytes:
    """The data bytes of a transaction."""
    return bytes.fromhex(row["data"] or "")


def _whole(
    run: Run, transactions: pl.DataFrame, device: str, at: int, kind: PacketKind | None
) -> OnWire:
    """A packet that is one transaction."""
    row = transactions.row(at, named=True)
    data = transaction_bytes(row)
    known = run.device(device)
    goes_on = row["ended_by"] == "restart" and not row["read"]
    if known is not None and known.pec and not goes_on:
        data = data[:-1]
    lead = len(kind.register) if kind is not None and not row["read"] else 0
    prefix = bytes([(row["address"] << 1 | row["read"]) & 0xFF]) + data[:lead]
    if row["read"] and at:
        before = transactions.row(at - 1, named=True)
        same = (before["bus"], before["address"]) == (row["bus"], row["address"])
        if same and not before["read"] and before["ended_by"] == "restart":
            prefix = bytes([prefix[0] & 0xFE]) + transaction_bytes(before) + prefix
    return OnWire(data[lead:], prefix, (at,))


# --- packets of a stream


def _cut_again(
    run: Run, at: int, packet: Row, packets: PacketSet, address: int, under: list[int]
) -> bytes | None:
    """The bytes of a packet cut from a stream: what the decoder gives for its neighbourhood."""
    transactions = run.tables["transactions"]
    first = max(0, under[0] - MOST_UNDER)
    window = transactions.slice(first, under[-1] + 1 - first)
    window = window.filter((pl.col("bus") == packet["bus"]) & (pl.col("address") == address))
    known = run.device(str(packet["device"]))
    decoder = PacketDecoder(packets, address, pec=known is not None and known.pec)
    found = joined([decoder.feed(_columns(window)), decoder.finish()])
    return _same_one(found, run.tables["packets"], at, packet, packets)


def _same_one(
    found: Packets, table: pl.DataFrame, at: int, packet: Row, packets: PacketSet
) -> bytes | None:
    """The bytes of the packet that is the row of the table, among those that begin with it."""
    low = int(table["start_ns"].search_sorted(packet["start_ns"], "left"))
    with_it = table.slice(low, at - low).filter(
        (pl.col("device") == packet["device"]) & (pl.col("start_ns") == packet["start_ns"])
    )
    rows = np.flatnonzero(found.start_ns == packet["start_ns"])
    if with_it.height >= len(rows):
        return None
    row = int(rows[with_it.height])
    names = [*(kind.name for kind in packets.kinds), "unknown"]
    same = (
        names[found.kind[row]] == packet["packet"]
        and found.end_ns[row] == packet["end_ns"]
        and found.problem_words(row) == packet["problems"]
    )
    return found.bytes_of(row) if same else None


def _columns(rows: pl.DataFrame) -> Transactions:
    """A few rows of the transactions table as the decoders take them."""
    data = [bytes.fromhex(text or "") for text in rows["data"]]
    acks = "".join(text or "" for text in rows["acks"])
    n = rows.height
    bits = {word: 1 << k for k, word in enumerate(PROBLEMS)}
    problems = [sum(bits[word] for word in words or ()) for words in rows["problems"].to_list()]
    return Transactions(
        start_ns=rows["start_ns"].to_numpy(),
        end_ns=rows["end_ns"].to_numpy(),
        address=rows["address"].fill_null(-1).cast(pl.Int16).to_numpy(),
        address_bits=rows["address_bits"].to_numpy(),
        read=rows["read"].fill_null(value=False).to_numpy(),
        address_acked=rows["address_acked"].fill_null(value=False).to_numpy(),
        first=np.cumsum([0, *map(len, data)], dtype=np.int64),
        data=np.frombuffer(b"".join(data), np.uint8),
        acked=np.frombuffer(acks.encode(), np.uint8) == ord("A"),
        started_by=np.array([STARTED_BY.index(word) for word in rows["started_by"]], np.uint8),
        ended_by=np.array([ENDED_BY.index(word) for word in rows["ended_by"]], np.uint8),
        bits_over=np.zeros(n, np.uint8),
        scl_low_max_ns=np.zeros(n, np.int64),
        problems=np.array(problems, np.uint32),
    )


# --- PEC


def pec_of(run: Run, at: int) -> Pec | None:
    """The PEC of the message that ends in a transaction; None where none is due or it is cut."""
    transactions = run.tables["transactions"]
    row = transactions.row(at, named=True)
    device = run.device_at(row["bus"], row["address"]) if row["address"] is not None else None
    if device is None or not device.pec or row["ended_by"] != "stop" or not row["data"]:
        return None
    message = [row]
    while message[0]["started_by"] == "restart":
        at -= 1
        if at < 0 or len(message) == MOST_IN_MESSAGE:
            return None
        before = transactions.row(at, named=True)
        if before["bus"] == row["bus"]:
            message.insert(0, before)
    if any(r["address"] is None or not r["address_acked"] for r in message):
        return None
    wire = b"".join(_address_bytes(r) + transaction_bytes(r) for r in message)
    at_byte = len(row["data"]) // 2 - 1
    return Pec(wire[-1], PEC_CODE.of(wire[:-1]), len(wire) - 1, at_byte)


def _address_bytes(row: Row) -> bytes:
    """The address as it was sent (UM10204 sections 3.1.10 and 3.1.11)."""
    address, read = int(row["address"]), int(row["read"])
    if row["address_bits"] != 10:
        return bytes([(address << 1 | read) & 0xFF])
    head = bytes([0xF0 | address >> 7 & 6 | read])
    return head if read else head + bytes([address & 0xFF])
