"""Transactions in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from console.diagnosis.story import Place
from console.watch.findings import counted
from console.watch.names import address_text

_BEGAN = {"restart": "after a repeated START", "cut": "of which the beginning is not there"}
_ENDED = {
    "restart": "ended by a repeated START",
    "start": "without a STOP",
    "cut": "cut short",
    "stuck": "with a line held",
}


def form_words(row: Mapping[str, Any]) -> str:
    """`read of 6 bytes`, `write of 2 bytes, 3B first, without a STOP`."""
    length = len(row["data"] or "") // 2
    words = f"{'read' if row['read'] else 'write'} of {counted(length, 'byte')}"
    if not row["read"] and length:
        words += f", {row['data'][:2].upper()} first"
    for more in (_BEGAN.get(row["started_by"]), _ENDED.get(row["ended_by"])):
        words += f", {more}" if more else ""
    problems = [p for p in row["problems"] or () if p != "no-stop"]
    return words + (f", {' and '.join(problems)}" if problems else "")


def short_words(row: Mapping[str, Any]) -> str:
    """`read of 6 bytes`, `write of 3B`: enough to know it by."""
    if row["read"]:
        return f"read of {counted(len(row['data'] or '') // 2, 'byte')}"
    first = (row["data"] or "")[:2].upper()
    return f"write of {first}" if first else "write of nothing"


def other_words(row: Mapping[str, Any]) -> str:
    """A transaction of another address: `write of 3B to 0x70`, `read from 0x44`."""
    if row["address"] is None:
        return "a transaction that was cut short"
    address = address_text(row["address"], row["address_bits"])
    if row["read"]:
        return f"read from {address}"
    first = (row["data"] or "")[:2].upper()
    return f"write of {first} to {address}" if first else f"write to {address}"


def place_of(row: Mapping[str, Any]) -> Place:
    """Where a transaction stands."""
    return Place(row["start_ns"], "transactions", row["row"])
