"""Bytes of a UART as a table, still on their capture's clock."""

from __future__ import annotations

import polars as pl

from console.timeline.bus_tables import blanked, constant, problem_words
from decoders.buses.serial_bytes import PROBLEMS, UNKNOWN, SerialBytes


def bytes_frame(rows: SerialBytes, source: str, line: str) -> pl.DataFrame:
    """The `bytes` table of one line; a value whose bits were not all seen is null."""
    return pl.DataFrame(
        {
            "start_ns": rows.start_ns,
            "end_ns": rows.end_ns,
            "source": constant(source, len(rows)),
            "line": constant(line, len(rows)),
            "value": blanked(pl.Series(rows.value, dtype=pl.Int64), rows.value == UNKNOWN),
            "parity_ok": pl.Series(rows.parity_ok, dtype=pl.Boolean),
            "framing_ok": pl.Series(rows.framing_ok, dtype=pl.Boolean),
            "problems": problem_words(rows.problems, PROBLEMS),
        }
    )
