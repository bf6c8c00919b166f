"""Bus columns to tables, still on their capture's clock: `transactions` and `line_states`."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import polars as pl

from decoders.buses.transactions import (
    ENDED_BY,
    LINE_STATES,
    PROBLEMS,
    STARTED_BY,
    TURNS,
    LineStates,
    Transactions,
)


def transactions_frame(rows: Transactions, source: str, bus: str) -> pl.DataFrame:
    """The `transactions` table of one bus."""
    n = len(rows)
    unknown = rows.address < 0
    address = pl.Series(rows.address, dtype=pl.Int32)
    return pl.DataFrame(
        {
            "start_ns": rows.start_ns,
            "end_ns": rows.end_ns,
            "source": constant(source, n),
            "bus": constant(bus, n),
            "address": blanked(address, unknown),
            "address_bits": rows.address_bits,
            "read": blanked(pl.Series(rows.read, dtype=pl.Boolean), unknown),
            "address_acked": blanked(pl.Series(rows.address_acked, dtype=pl.Boolean), unknown),
            "data": cut_text(rows.data.tobytes().hex(), rows.first * 2),
            "acks": cut_text(np.where(rows.acked, b"A", b"N").tobytes().decode(), rows.first),
            "started_by": words(rows.started_by, STARTED_BY),
            "ended_by": words(rows.ended_by, ENDED_BY),
            "problems": problem_words(rows.problems, PROBLEMS),
        }
    )


def line_states_frame(rows: LineStates, source: str, bus: str) -> pl.DataFrame:
    """The `line_states` table of one bus; with the bit slot and turn of a held line."""
    n = len(rows)
    return pl.DataFrame(
        {
            "start_ns": rows.start_ns,
            "end_ns": rows.end_ns,
            "source": constant(source, n),
            "bus": constant(bus, n),
            "state": words(rows.state, LINE_STATES),
            "bit_slot": blanked(pl.Series(rows.bit_slot, dtype=pl.Int64), rows.bit_slot < 0),
            "turn": words(rows.turn, TURNS),
        }
    )


def constant(word: str, n: int) -> pl.Series:
    """A text column that says the same n times."""
    return pl.Series([word], dtype=pl.String).new_from_index(0, n)


def words(codes: npt.NDArray[np.integer], vocabulary: tuple[str, ...]) -> pl.Series:
    """Codes [n], each below len(vocabulary), as the n words they stand for."""
    return pl.Series(vocabulary, dtype=pl.String).gather(pl.Series(codes, dtype=pl.UInt32))


def blanked(values: pl.Series, empty: npt.NDArray[np.bool_]) -> pl.Series:
    """Values [n] with null where `empty`, bool[n]."""
    if not empty.any():
        return values
    return pl.select(
        pl.when(pl.Series(empty)).then(pl.lit(None)).otherwise(values).alias("v")
    ).to_series()


def cut_text(text: str, first: npt.NDArray[np.int64]) -> pl.Series:
    """Text of all rows end to end, cut at n + 1 offsets."""
    at = first.tolist()
    return pl.Series([text[a:b] for a, b in pairwise(at)], dtype=pl.String)


def problem_words(bits: npt.NDArray[np.unsignedinteger], vocabulary: tuple[str, ...]) -> pl.Series:
    """Problem bits [n] as n lists of words; the few patterns that occur are spelt out once."""
    patterns, which = np.unique(bits, return_inverse=True)
    lists = [[w for k, w in enumerate(vocabulary) if int(p) >> k & 1] for p in patterns]
    spelt = pl.Series(lists, dtype=pl.List(pl.String))
    return spelt.gather(pl.Series(which.reshape(-1), dtype=pl.UInt32))
