"""Tables of transactions and packets for the tests of packets, and what must not change in them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from decoders.buses.transactions import ENDED_BY, Transactions
from decoders.buses.transactions import PROBLEMS as BUS_PROBLEMS
from decoders.packets.columns import Packets, joined
from decoders.packets.decoder import PacketDecoder
from decoders.packets.fields import fields_of
from decoders.packets.layout import PROBLEMS, PacketSet
from decoders.packets.one import OneByOne

ADDRESS = 0x2E
BLOCK = {"colour": "red", "x": 10, "y": 20, "w": 3, "h": 4}
Row = tuple[str, bytes]  # what it is ("write", "read+refused", "write+other"), and its data


def transactions_of(rows: Sequence[Row], begin: int = 0) -> Transactions:
    """Transactions 1 ms apart from `begin` ms on, each 0.1 ms long."""
    n = len(rows)
    words = [set(what.split("+")) for what, _ in rows]
    data = b"".join(content for _, content in rows)
    start = (np.arange(n, dtype=np.int64) + begin) * 1_000_000
    first = np.cumsum([0, *(len(content) for _, content in rows)]).astype(np.int64)
    acked = np.ones(len(data), np.bool_)
    for each, at in zip(words, first[1:].tolist(), strict=True):
        if "nack" in each:
            acked[at - 1] = False
    problems = [
        sum(1 << k for k, word in enumerate(BUS_PROBLEMS) if word in each) for each in words
    ]
    restart = ENDED_BY.index("restart")
    return Transactions(
        start,
        start + 100_000,
        np.array([0x11 if "other" in each else ADDRESS for each in words], np.int16),
        np.full(n, 7, np.uint8),
        np.array(["read" in each for each in words], np.bool_),
        np.array(["refused" not in each for each in words], np.bool_),
        first,
        np.frombuffer(data, np.uint8),
        acked,
        np.zeros(n, np.uint8),
        np.array([restart if "restart" in each else 0 for each in words], np.uint8),
        np.zeros(n, np.uint8),
        np.zeros(n, np.int64),
        np.array(problems, np.uint32),
    )


def part_of(table: Transactions, a: int, b: int) -> Transactions:
    """Rows a .. b - 1 of a table."""
    low, high = int(table.first[a]), int(table.first[b])
    columns = {name: getattr(table, name)[a:b] for name in Transactions.__slots__}
    columns["first"] = table.first[a : b + 1] - low
    columns["data"], columns["acked"] = table.data[low:high], table.acked[low:high]
    return Transactions(**columns)


def told(packet_set: PacketSet, packets: Packets) -> list[tuple[Any, ...]]:
    """Everything about each packet that must not depend on the cutting."""
    words: list[set[tuple[str, int, int]]] = [set() for _ in range(len(packets))]
    table = packets.troubles
    for row, problem, field, item in zip(
        table.row.tolist(),
        table.problem.tolist(),
        table.field.tolist(),
        table.item.tolist(),
        strict=True,
    ):
        words[row].add((PROBLEMS[problem], field, item))
    return [
        (
            packet_set.kinds[kind].name if kind >= 0 else "",
            packets.start_ns.tolist()[row],
            packets.end_ns.tolist()[row],
            packets.read.tolist()[row],
            packets.problem_words(row),
            packets.bytes_of(row),
            (packets.from_row.tolist()[row], packets.from_byte.tolist()[row]),
            packets.until_row.tolist()[row],
            sorted(words[row]),
            repr(shown),
        )
        for row, (kind, shown) in enumerate(
            zip(packets.kind.tolist(), fields_of(packets, packet_set), strict=True)
        )
    ]


def serial(packet_set: PacketSet, data: bytes, sizes: list[int]) -> Packets:
    """A serial line, one byte a millisecond, fed in chunks that end at the given places."""
    decoder = PacketDecoder(packet_set)
    at = np.arange(len(data), dtype=np.int64) * 1_000_000
    chunks = []
    for a, b in pairwise([0, *sorted(min(size, len(data)) for size in sizes), len(data)]):
        part = np.frombuffer(data[a:b], np.uint8)
        chunks.append(decoder.feed_bytes(at[a:b], at[a:b] + 900_000, part))
    return joined([*chunks, decoder.finish()])


def ask_of(camera: PacketSet) -> bytes:
    return OneByOne(camera.kind("ask")).build_one({"colours": 7, "most": 4})


def reply_of(camera: PacketSet, sequence: int = 1, blocks: int = 2) -> bytes:
    values = {"sequence": sequence, "blocks": [BLOCK] * blocks}
    return OneByOne(camera.kind("blocks")).build_one(values)


REGISTERS = """
order = "big"
[[packet]]
name = "level"
direction = "read"
register = 0x10
field = [{ name = "level", type = "u16", scale = 0.1, unit = "cm", max = 300 }]
[[packet]]
name = "status"
direction = "read"
register = 0x11
within = "5ms"
[[packet.field]]
name = "status"
type = "u8"
bits = [
  { name = "ready", at = 0 },
  { name = "mode", at = 1, width = 3, values = { idle = 0, run = 5 } },
  { name = "trim", at = 4, width = 4, signed = true },
]
[[packet]]
name = "set-mode"
direction = "write"
register = 0x11
field = [{ name = "mode", type = "u8" }]
"""

# SMBus PEC byte lists (SMBus 3.2 section 6.4), with values on which three CRC libraries agree, and
# one published with the documentation of smbus-pec 1.0.1.
PEC = """
order = "little"
[[packet]]
name = "word"
direction = "read"
register = 0x42
field = [
  { name = "word", type = "u16" },
  { name = "pec", type = "check", check = "PEC", over = "wire" },
]
[[packet]]
name = "set"
direction = "write"
register = 0x42
field = [
  { name = "word", type = "u16" },
  { name = "pec", type = "check", check = "PEC", over = "wire" },
]
"""

SENTENCES = """
framing = "lines"
[[packet]]
name = "level"
field = [
  { name = "start", type = "sync", text = "$" },
  { name = "id", type = "text", until = ",", constant = "CIDR" },
  { name = "count", type = "decimal", until = "," },
  { name = "level", type = "decimal", until = "*", unit = "cm", min = 0, max = 300 },
  { name = "sum", type = "check", check = "xor", over = ["id", "level"], written = "hex" },
]
"""


def sentence(body: bytes) -> bytes:
    code = 0
    for byte in body:
        code ^= byte
    return b"$" + body + b"*%02X" % code
