"""Bytes of a UART and words of an SPI bus as tables, still on their capture's clock."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.tables.bus_tables import blanked, constant, cut_text, problem_words
from decoders.buses import spi_words
from decoders.buses.serial_bytes import PROBLEMS, UNKNOWN, SerialBytes
from decoders.buses.spi_words import NOBODY, SpiWords


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


def words_frame(
    rows: SpiWords,
    source: str,
    bus: str,
    devices: Sequence[str],
    *,
    has_mosi: bool,
    has_miso: bool,
) -> pl.DataFrame:
    """The `words` table of one bus.

    Args:
        rows: its words.
        source: name of the capture.
        bus: name of the bus.
        devices: names by the number of their select; none where there is no select.
        has_mosi: whether MOSI was observed; else it is null.
        has_miso: likewise.
    """
    n = len(rows)
    names = pl.Series([*devices, None], dtype=pl.String)
    which = np.where(rows.device == NOBODY, len(devices), rows.device)
    bare = (rows.bits == 0) | (rows.device == NOBODY)
    return pl.DataFrame(
        {
            "start_ns": rows.start_ns,
            "end_ns": rows.end_ns,
            "source": constant(source, n),
            "bus": constant(bus, n),
            "device": names.gather(pl.Series(which, dtype=pl.UInt32)),
            "mosi": blanked(_hex(rows.mosi, rows.bits), bare if has_mosi else np.ones(n, np.bool_)),
            "miso": blanked(_hex(rows.miso, rows.bits), bare if has_miso else np.ones(n, np.bool_)),
            "bits": pl.Series(rows.bits, dtype=pl.Int64),
            "problems": problem_words(rows.problems, spi_words.PROBLEMS),
        }
    )


def _hex(values: npt.NDArray[np.uint32], bits: npt.NDArray[np.int64]) -> pl.Series:
    """Words as hex without spaces, of as many bytes as hold their bits."""
    octets = np.clip((bits + 7) // 8, 0, 4)
    table = np.ascontiguousarray(values).astype(">u4").view(np.uint8).reshape(-1, 4)
    text = table[np.arange(4) >= 4 - octets[:, None]].tobytes().hex()
    return cut_text(text, np.append(0, octets.cumsum()) * 2)
