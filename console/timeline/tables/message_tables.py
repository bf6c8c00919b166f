"""Messages as a table, still on their recorder's clock."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.timeline.tables.bus_tables import constant, words
from decoders.messages.columns import DIRECTIONS, Messages
from decoders.messages.payload import fields_json


def messages_frame(rows: Messages, source: str) -> pl.DataFrame:
    """The `messages` table of one source, in its order; bytes that are no UTF-8 as escapes."""
    texts = [payload.decode("utf-8", "backslashreplace") for payload in rows.payloads()]
    unknown = rows.qos < 0
    qos = pl.Series(rows.qos.astype(np.int64))
    return pl.DataFrame(
        {
            "t_ns": rows.t_ns,
            "source": constant(source, len(rows)),
            "client": pl.Series(rows.client_texts(), dtype=pl.String),
            "direction": words(rows.direction, DIRECTIONS),
            "topic": pl.Series(rows.topic_texts(), dtype=pl.String),
            "payload": pl.Series(texts, dtype=pl.String),
            "qos": qos.set(pl.Series(unknown), None) if unknown.any() else qos,
            "retain": pl.Series(rows.retain, dtype=pl.Boolean),
            "duplicate": pl.Series(rows.duplicate, dtype=pl.Boolean),
            "fields": pl.Series(fields_json(rows), dtype=pl.String),
        }
    )
