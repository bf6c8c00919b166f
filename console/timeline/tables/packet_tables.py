"""Packets and exchanges as tables, still on the clock of their capture."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.timeline.tables.bus_tables import blanked, constant, problem_words, words
from decoders.packets.columns import Packets
from decoders.packets.exchanges import OUTCOMES, Exchanges
from decoders.packets.layout import PROBLEMS, PacketSet
from decoders.packets.showing import fields_json

DIRECTIONS = ("write", "read")
UNKNOWN = "unknown"  # bytes that are no described packet


def packets_frame(rows: Packets, packet_set: PacketSet, bus: str, device: str) -> pl.DataFrame:
    """The `packets` table of one device, native times."""
    n = len(rows)
    names = (*(kind.name for kind in packet_set.kinds), UNKNOWN)
    frame = pl.DataFrame(
        {
            "start_ns": rows.start_ns,
            "end_ns": rows.end_ns,
            "bus": constant(bus, n),
            "device": constant(device, n),
            "packet": words(rows.kind % len(names), names),
            "direction": words(rows.read.astype(np.uint8), DIRECTIONS),
            "valid": pl.Series(rows.problems == 0, dtype=pl.Boolean),
            "problems": problem_words(rows.problems, PROBLEMS),
            "fields": pl.Series(fields_json(rows, packet_set), dtype=pl.String),
        }
    )
    return frame.sort("start_ns", maintain_order=True)


def exchanges_frame(rows: Exchanges, packet_set: PacketSet, device: str) -> pl.DataFrame:
    """The `exchanges` table of one device, native times; nulls where no reply came."""
    names = (*(kind.name for kind in packet_set.kinds), UNKNOWN)
    alone = ~rows.replied
    reply = words(rows.reply % len(names), names)
    return pl.DataFrame(
        {
            "request_ns": rows.request_ns,
            "reply_ns": blanked(pl.Series(rows.reply_ns), alone),
            "device": constant(device, len(rows)),
            "request": words(rows.request % len(names), names),
            "reply": blanked(reply, alone),
            "outcome": words(rows.outcome, OUTCOMES),
            "latency_ns": blanked(pl.Series(rows.latency_ns), alone),
        }
    )
