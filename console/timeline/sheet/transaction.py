"""The sheet of a transaction: how it was acknowledged, byte by byte, beside the last good one."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from console.timeline.sheet.before import Past, good_before
from console.timeline.sheet.lines import (
    MOST_RAW,
    Body,
    Change,
    CheckCode,
    Field,
    Heading,
    Line,
    RawBytes,
    Words,
)
from console.timeline.sheet.run import Row, Run, ago
from console.timeline.sheet.wire import pec_of, transaction_bytes
from console.timeline.sheet.wire_lines import (
    ENDED_WORDS,
    STARTED_WORDS,
    address_text,
    clock_words,
    whose,
)
from console.timeline.words import problem_words
from decoders.buses.i2c_limits import reserved_use
from decoders.durations import in_words

MOST_ACKS = 24  # bytes whose acknowledges are told one by one


def transaction_body(run: Run, at: int, row: Row) -> Body:
    """What there is to say of a transaction, row `at` of its table."""
    transactions = run.tables["transactions"]
    past = _past(run, at, row)
    good = transactions.row(past.rows[0], named=True) if past.rows else None
    data = transaction_bytes(row)
    lines: list[Line] = list(_fields(run, row, good))
    if pec := pec_of(run, at):
        over = f"{pec.over} bytes from START on, addresses too"
        lines.append(
            CheckCode("PEC", "CRC-8/SMBUS", f"{pec.received:02X}", f"{pec.computed:02X}", over)
        )
    if data:
        before = [transaction_bytes(transactions.row(r, named=True)) for r in past.rows]
        changes = byte_changes(data, before[0]) if before else ()
        lines += [
            Heading(f"bytes, {len(data):,}"),
            RawBytes(data[:MOST_RAW], changes, len(data)),
        ]
    if good is not None and not data and (was := transaction_bytes(good)):
        lines += [Heading(f"bytes of the last good {_way(row)}, {len(was):,}")]
        lines.append(RawBytes(was[:MOST_RAW], (), len(was)))
    compared = past.none_words(whose(row))
    if good is not None:
        compared = f"beside the last good one, {ago(row['start_ns'], good['start_ns'])}"
    problems = tuple(problem_words([p]) for p in row["problems"] or ())
    return Body(
        _title(run, row), tuple(lines), problems, compared, int(row["end_ns"]), str(row["source"])
    )


def _title(run: Run, row: Row) -> str:
    """`write to camera`, or the address and bus where nobody has a name."""
    if row["address"] is None:
        return f"cut transaction on {row['bus']}"
    device = run.device_at(row["bus"], row["address"])
    way = "read from" if row["read"] else "write to"
    name = f"{address_text(row)} on {row['bus']}" if device is None else device.name
    return f"{way} {name}"


def _way(row: Row) -> str:
    return "read" if row["read"] else "write"


def byte_changes(data: bytes, good: bytes) -> tuple[Change, ...]:
    """How each of the bytes shown compares with that at its place in the good one."""
    return tuple(
        (Change.SAME if good[k] == byte else Change.DIFFERS) if k < len(good) else Change.NEW
        for k, byte in enumerate(data[:MOST_RAW])
    )


def _past(run: Run, at: int, row: Row) -> Past:
    """Acknowledged ones of the address and direction, as long up to a power of two if any data."""
    same = (pl.col("bus") == row["bus"]) & pl.col("address").eq_missing(row["address"])
    same &= pl.col("read").eq_missing(row["read"])
    size = len(row["data"] or "")
    if size:
        low = 1 << (size.bit_length() - 1)
        same &= pl.col("data").str.len_bytes().is_between(low, 2 * low - 1)
    good = pl.col("address_acked") & (pl.col("problems").list.len() == 0)
    return good_before(run.tables["transactions"], at, same, good)


def _fields(run: Run, row: Row, good: Row | None) -> Sequence[Line]:
    lines: list[Line] = []
    if row["address"] is None:
        lines.append(Words("cut before its address was complete"))
    else:
        acked = "acknowledged" if row["address_acked"] else "NOT acknowledged"
        was = "" if good is None or row["address_acked"] else "acknowledged"
        lines.append(_compared("address", _address(run, row), None))
        lines.append(_compared("address ack", acked, None if good is None else was or acked))
        lines.append(_compared("direction", "read" if row["read"] else "write", None))
    if row["acks"]:
        acks = row["acks"]
        was_acks = good["acks"] if good is not None and len(good["acks"]) == len(acks) else None
        told = None if was_acks is None else ack_words(was_acks, is_read=bool(row["read"]))
        lines.append(_compared("byte acks", ack_words(acks, is_read=bool(row["read"])), told))
    started = STARTED_WORDS.get(row["started_by"], str(row["started_by"]))
    ended = ENDED_WORDS.get(row["ended_by"], str(row["ended_by"]))
    then = None if good is None else STARTED_WORDS.get(good["started_by"], good["started_by"])
    lines.append(_compared("begun by", started, then))
    then = None if good is None else ENDED_WORDS.get(good["ended_by"], good["ended_by"])
    lines.append(_compared("ended by", ended, then))
    lines.append(Field("took", in_words(row["end_ns"] - row["start_ns"])))
    lines.append(Field("clock", clock_words(row)))
    return lines


def _compared(name: str, value: str, was: str | None) -> Field:
    if was is None:
        return Field(name, value)
    if was == value:
        return Field(name, value, change=Change.SAME)
    return Field(name, value, change=Change.DIFFERS, was=was)


def _address(run: Run, row: Row) -> str:
    """The address, and who has it."""
    text = address_text(row)
    device = run.device_at(row["bus"], row["address"])
    if device is not None:
        return f"{text} {device.name}"
    use = None
    if row["address_bits"] == 7:
        use = reserved_use(row["address"], bool(row["read"]))
    return text if use is None else f"{text} reserved: {use}"


def ack_words(acks: str, *, is_read: bool) -> str:
    """How the data bytes were acknowledged; a read ends with a NACK (UM10204 section 3.1.10)."""
    nacks = acks.count("N")
    if is_read and nacks == 1 and acks.endswith("N"):
        return "all, NACK ends it" if len(acks) > 1 else "NACK ends it"
    if not nacks:
        return f"all {len(acks):,}" if len(acks) > 1 else "yes"
    if len(acks) <= MOST_ACKS:
        return acks
    return f"{nacks:,} of {len(acks):,} not, first byte {acks.index('N'):,}"
