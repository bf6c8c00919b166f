"""What the target sent when it was last asked the same: it tells which bits were still to come."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from console.diagnosis.held.clocks import clocks_with, coming_of
from console.diagnosis.held.standing import Row, Standing

_MOST_COMPARED = 100
_TARGET = ("address", "address_bits")
_BEFORE = (*_TARGET, "read", "data")


@dataclass(frozen=True, slots=True)
class AsBefore:
    """The clocks that free SDA if the target sends what it last sent.

    Attributes:
        clocks: exact with that byte.
        octet: the byte.
        replies: to how many of the latest same requests it was that byte.
        of: of how many.
    """

    clocks: int
    octet: int
    replies: int
    of: int


def as_before(transactions: pl.DataFrame, row: Row, standing: Standing) -> AsBefore | None:
    """Look up the byte in earlier replies; None when there are none, or it does not fit.

    Args:
        transactions: of the run, sorted by start.
        row: the transaction the line is held in.
        standing: where, in a byte the target sends or is about to.
    """
    if not standing.read or standing.turn != "target":
        return None
    at = 0 if standing.is_acknowledge else standing.data_byte
    if at < 0:
        return None
    target = {"address": standing.address, "address_bits": standing.address_bits}
    same = _same_asked(transactions, {**row, **target, "read": True})
    bytes_there = [text[2 * at : 2 * at + 2] for text in same if len(text) >= 2 * at + 2]
    latest = bytes_there[-_MOST_COMPARED:]
    if not latest:
        return None
    octet = int(latest[-1], 16)
    coming = coming_of(standing, octet)
    if coming is None:
        return None
    count = sum(text == latest[-1] for text in latest)
    return AsBefore(clocks_with(standing, coming), octet, count, len(latest))


def _same_asked(transactions: pl.DataFrame, row: Row) -> list[str]:
    """Data of earlier reads from the address that followed the same transaction."""
    here = transactions.filter(
        (pl.col("bus") == row["bus"])
        & (pl.col("source") == row["source"])
        & (pl.col("start_ns") <= row["start_ns"])
    ).with_columns(pl.col(name).shift(1).alias(f"before_{name}") for name in _BEFORE)
    asked = [*(f"before_{name}" for name in _BEFORE), *_TARGET, "read", "started_by"]
    now = here.filter(pl.col("start_ns") == row["start_ns"]).tail(1)
    if not now.height:
        return []
    wanted = now.row(0, named=True) | {name: row[name] for name in (*_TARGET, "read")}
    same = here.filter(
        (pl.col("start_ns") < row["start_ns"])
        & (pl.col("ended_by") != "stuck")
        & ~pl.col("problems").list.contains("sda-held")  # recovery clocks may stand in its bytes
        & pl.all_horizontal(pl.col(name).eq_missing(wanted[name]) for name in asked)
    )
    return [text or "" for text in same["data"].tail(_MOST_COMPARED).to_list()]
