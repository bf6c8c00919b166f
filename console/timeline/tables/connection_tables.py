"""What happened to MQTT connections as a table, still on the clock of the capture."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from console.bench.tables import TABLES
from decoders.messages.mqtt_happenings import ConnectionEvent


def connections_frame(rows: Sequence[ConnectionEvent], source: str) -> pl.DataFrame:
    """The `happenings` of one network capture, in time order, without `band_ns`."""
    schema = {name: kind for name, kind in TABLES["happenings"].items() if name != "band_ns"}
    columns = {
        "t_ns": [row.t_ns for row in rows],
        "source": [source] * len(rows),
        "what": [str(row.what) for row in rows],
        "detail": [f"{row.client}: {row.detail}" for row in rows],
    }
    return pl.DataFrame(columns, schema=schema).sort("t_ns", maintain_order=True)
