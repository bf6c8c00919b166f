"""The tables of events by name: their columns and types, as rules, filters and exports know them.

Times are int64 ns on the common axis. A table is sorted by its first column, which is a time;
`band_ns` is the half-width within which that is known, null when its source is not aligned.
`fields` is JSON text; a value inside it is reached by a dotted path, `fields.level_cm`.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

Schema = Mapping[str, pl.DataType]

_INT, _TEXT, _TRUTH = pl.Int64(), pl.String(), pl.Boolean()
_WORDS = pl.List(pl.String)

TABLES: Mapping[str, Schema] = {
    "transactions": {
        "start_ns": _INT,
        "end_ns": _INT,
        "source": _TEXT,
        "bus": _TEXT,
        "address": pl.Int32(),
        "address_bits": pl.UInt8(),
        "read": _TRUTH,
        "address_acked": _TRUTH,
        "data": _TEXT,
        "acks": _TEXT,
        "started_by": _TEXT,
        "ended_by": _TEXT,
        "problems": _WORDS,
        "band_ns": _INT,
    },
    "packets": {
        "start_ns": _INT,
        "end_ns": _INT,
        "bus": _TEXT,
        "device": _TEXT,
        "packet": _TEXT,
        "direction": _TEXT,
        "valid": _TRUTH,
        "problems": _WORDS,
        "fields": _TEXT,
        "band_ns": _INT,
    },
    "exchanges": {
        "request_ns": _INT,
        "reply_ns": _INT,
        "device": _TEXT,
        "request": _TEXT,
        "reply": _TEXT,
        "outcome": _TEXT,
        "latency_ns": _INT,
        "band_ns": _INT,
    },
    "prints": {
        "t_ns": _INT,
        "source": _TEXT,
        "native_ns": _INT,
        "level": _TEXT,
        "text": _TEXT,
        "damaged": _TRUTH,
        "fields": _TEXT,
        "band_ns": _INT,
    },
    "messages": {
        "t_ns": _INT,
        "source": _TEXT,
        "client": _TEXT,
        "direction": _TEXT,
        "topic": _TEXT,
        "payload": _TEXT,
        "qos": _INT,
        "retain": _TRUTH,
        "duplicate": _TRUTH,
        "fields": _TEXT,
        "band_ns": _INT,
    },
    "bytes": {
        "start_ns": _INT,
        "end_ns": _INT,
        "source": _TEXT,
        "line": _TEXT,
        "value": _INT,
        "parity_ok": _TRUTH,
        "framing_ok": _TRUTH,
        "problems": _WORDS,
        "band_ns": _INT,
    },
    "words": {
        "start_ns": _INT,
        "end_ns": _INT,
        "source": _TEXT,
        "bus": _TEXT,
        "device": _TEXT,
        "mosi": _TEXT,
        "miso": _TEXT,
        "bits": _INT,
        "problems": _WORDS,
        "band_ns": _INT,
    },
    "pulses": {
        "start_ns": _INT,
        "end_ns": _INT,
        "source": _TEXT,
        "line": _TEXT,
        "high": _TRUTH,
        "width_ns": _INT,
        "period_ns": _INT,
        "angle_deg": pl.Float64(),  # what it commands a servo; null of other lines
        "distance_cm": pl.Float64(),  # what an echo says; null of other lines, and timed out
        "band_ns": _INT,
    },
    "line_states": {
        "start_ns": _INT,
        "end_ns": _INT,
        "source": _TEXT,
        "bus": _TEXT,
        "state": _TEXT,
        "bit_slot": _INT,
        "turn": _TEXT,
        "band_ns": _INT,
    },
    "happenings": {  # of recorded sources: opened, closed, refused, lost, break, ..
        "t_ns": _INT,
        "source": _TEXT,
        "what": _TEXT,
        "detail": _TEXT,
        "band_ns": _INT,
    },
}

# The columns that say whose event a row is, widest first; a finding is about one of these.
SUBJECTS: Mapping[str, tuple[str, ...]] = {
    "transactions": ("bus", "address"),
    "packets": ("device",),
    "exchanges": ("device",),
    "prints": ("source",),
    "messages": ("topic",),
    "bytes": ("line",),
    "words": ("device", "bus"),  # what no device was selected for is the bus's
    "pulses": ("line",),
    "line_states": ("bus",),
    "happenings": ("source",),
}


def time_column(table: str) -> str:
    """The column by which a table is sorted."""
    return next(iter(TABLES[table]))
