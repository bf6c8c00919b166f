"""The sheet of a packet: every field with its place, beside the last good packet of its kind."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from console.timeline.sheet.before import Past, good_before
from console.timeline.sheet.fields import Packet, field_lines
from console.timeline.sheet.lines import (
    MOST_RAW,
    Body,
    Change,
    CheckCode,
    Heading,
    Line,
    RawBytes,
    Tone,
    Words,
)
from console.timeline.sheet.run import Row, Run, ago
from console.timeline.sheet.tree import tree_lines
from console.timeline.sheet.wire import OnWire, on_wire, pec_of
from console.timeline.sheet.wire_lines import wire_lines
from console.timeline.words import problem_words
from decoders.messages.json_text import NOT_JSON, value_of
from decoders.packets.layout import PacketKind
from decoders.packets.one import OneByOne

MOST_READ = 1 << 13  # bytes of a packet taken apart here; longer ones are shown by their table row
_NOBODY = {"filler": "nothing but one byte value: nobody drove the bus, or nobody filled it"}


def packet_body(run: Run, at: int, row: Row) -> Body:
    """What there is to say of a packet, row `at` of its table."""
    device, name, is_read = str(row["device"]), str(row["packet"]), row["direction"] == "read"
    wire, kind = on_wire(run, at, row), run.kind(device, name)
    past = _past(run, at, row)
    before = run.tables["packets"].row(past.rows[0], named=True) if past.rows else None
    lines: list[Line] = []
    raw: tuple[Change, ...] = ()
    if "filler" in row["problems"]:
        lines.append(Words(_NOBODY["filler"], Tone.BAD))
    elif kind is not None and wire.data is not None and len(wire.data) <= MOST_READ:
        fields, raw = _fields(run, kind, wire, past, before)
        lines += fields
    else:
        lines += _told_fields(run, row, past)
    lines += _pec_lines(run, wire)
    if wire.data is not None:
        lines += [Heading(f"bytes, {len(wire.data):,}")]
        lines.append(RawBytes(wire.data[:MOST_RAW], raw[:MOST_RAW], len(wire.data)))
    lines += wire_lines(run, wire.rows)
    verb = "from" if is_read else "to"
    compared = past.none_words(f"{name} packet")
    if before is not None:
        other = "" if name == before["packet"] else f" ({before['packet']})"
        then = ago(row["start_ns"], before["start_ns"])
        compared = f"beside the last good one{other}, {then}"
    return Body(
        f"{name} {verb} {device}",
        tuple(lines),
        tuple(problem_words([p]) for p in row["problems"]),
        compared,
        int(row["end_ns"]),
        _source(run, wire),
    )


def _past(run: Run, at: int, row: Row) -> Past:
    """Good packets of the kind before it; of bytes of no kind, good ones of the same direction."""
    same = (pl.col("device") == row["device"]) & (pl.col("direction") == row["direction"])
    if row["packet"] != "unknown":
        same &= pl.col("packet") == row["packet"]
    return good_before(run.tables["packets"], at, same, pl.col("valid"))


def _fields(
    run: Run, kind: PacketKind, wire: OnWire, past: Past, before: Row | None
) -> tuple[list[Line], tuple[Change, ...]]:
    """The lines of the fields, and the change of every byte."""
    reader = OneByOne(kind)
    packet = Packet.read(reader, wire)
    good = None
    if before is not None:
        good_wire = on_wire(run, past.rows[0], before)
        if good_wire.data is not None and len(good_wire.data) <= MOST_READ:
            good = Packet.read(reader, good_wire)
    earlier = [_json(run.tables["packets"]["fields"][row]) for row in past.rows[1:]]
    return field_lines(kind, packet, good, earlier, past.steps)


def _told_fields(run: Run, row: Row, past: Past) -> Sequence[Line]:
    """The fields as the table has them, where the bytes cannot be taken apart."""
    fields = _json(row["fields"])
    if not isinstance(fields, dict) or not fields:
        return ()
    same_kind = row["packet"] != "unknown"
    before = [_json(run.tables["packets"]["fields"][r]) for r in past.rows] if same_kind else []
    return tree_lines(fields, before, past.steps)


def _json(text: str | None) -> Any:
    value = value_of((text or "").encode())
    return {} if value is NOT_JSON else value


def _pec_lines(run: Run, wire: OnWire) -> list[Line]:
    pec = pec_of(run, wire.rows[-1]) if wire.rows else None
    if pec is None:
        return []
    over = f"{pec.over} bytes from START on, addresses too"
    code = CheckCode("PEC", "CRC-8/SMBUS", f"{pec.received:02X}", f"{pec.computed:02X}", over)
    return [code]


def _source(run: Run, wire: OnWire) -> str:
    if not wire.rows:
        return ""
    return str(run.tables["transactions"]["source"][wire.rows[0]])
