"""Small tables with numbers of every kind, for the tests of fields, limits and views."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from console.bench.tables import TABLES
from decoders.packets.layout import PacketSet
from decoders.packets.resolve import read_packets

DESCRIPTION = """\
order = "big"

[[packet]]
name = "ask"
direction = "write"
field = [{ name = "kind", type = "u8", constant = 1 }]

[[packet]]
name = "blocks"
direction = "read"
answers = "ask"
within = "20ms"

[[packet.field]]
name = "sum"
type = "u8"

[[packet.field]]
name = "state"
type = "u8"
bits = [{ name = "turns", at = 0, width = 4, max = 9 }, { name = "mode", at = 4, width = 4 }]

[[packet.field]]
name = "blocks"
type = "repeat"
field = [
  { name = "x", type = "u16", max = 319, unit = "px" },
  { name = "sum", type = "u8" },
]
"""


def packets_described() -> dict[str, PacketSet]:
    return {"camera": read_packets(DESCRIPTION.encode(), "camera.packets.toml")}


def table(name: str, rows: Sequence[dict[str, Any]]) -> pl.DataFrame:
    """A table of the evidence; columns that no row gives are null."""
    full = [{column: row.get(column) for column in TABLES[name]} for row in rows]
    return pl.DataFrame(full, schema=dict(TABLES[name]))


def prints(texts: Sequence[str], source: str = "board", every_ns: int = 1_000) -> pl.DataFrame:
    return table(
        "prints",
        [
            {"t_ns": every_ns * k, "source": source, "text": text, "band_ns": 5}
            for k, text in enumerate(texts)
        ],
    )


def messages(fields: Sequence[str | None], topic: str = "cap/level") -> pl.DataFrame:
    return table(
        "messages",
        [
            {"t_ns": 10 * k, "source": "broker", "topic": topic, "fields": text, "band_ns": 7}
            for k, text in enumerate(fields)
        ],
    )


def packets(fields: Sequence[str], packet: str = "blocks") -> pl.DataFrame:
    return table(
        "packets",
        [
            {
                "start_ns": 100 * k,
                "device": "camera",
                "packet": packet,
                "fields": text,
                "band_ns": 0,
            }
            for k, text in enumerate(fields)
        ],
    )
