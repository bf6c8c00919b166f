"""Records to the bytes of a block and back, as `schema.py` describes them."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import Any

import msgspec

from console.run.schema import PLAIN, ZLIB
from console.sources.records import Arrived, Chunk, Happened, Record

CHUNK, ARRIVED, HAPPENED = 0, 1, 2
RETAIN, DUPLICATE = 1, 2  # flags of a message

# Zlib at its quickest shrinks logs and JSON about fivefold; where it saves less, blocks stay plain.
_LEVEL = 1
_WORTH_IT = 0.9

Row = tuple[Any, ...]  # (t_ns, seq, kind, ...)


_encode = msgspec.msgpack.Encoder().encode
_decode = msgspec.msgpack.Decoder(list[list[Any]]).decode


def row_of(record: Record, seq: int) -> Row:
    """A record as what is packed of it; its source is the block's."""
    if isinstance(record, Chunk):
        return (record.t_ns, seq, CHUNK, record.data)
    if isinstance(record, Arrived):
        flags = (RETAIN if record.retain else 0) | (DUPLICATE if record.duplicate else 0)
        row = (record.t_ns, seq, ARRIVED, record.topic, record.payload, record.qos, flags)
        return (*row, record.properties) if record.properties else row
    return (record.t_ns, seq, HAPPENED, record.what, record.detail)


def record_of(row: Sequence[Any], source: str) -> Record:
    """The record that was packed as this row."""
    kind = row[2]
    if kind == CHUNK:
        return Chunk(source, row[0], row[3])
    if kind == ARRIVED:
        flags = row[6]
        properties = {from_sql(k): from_sql(v) for k, v in row[7].items()} if len(row) > 7 else {}
        return Arrived(
            source, row[0], from_sql(row[3]), row[4], row[5],
            bool(flags & RETAIN), bool(flags & DUPLICATE), properties,
        )  # fmt: skip
    return Happened(source, row[0], row[3], from_sql(row[4]))


def packed(rows: Sequence[Row]) -> bytes:
    """Rows end to end."""
    try:
        data = _encode(rows)
    except UnicodeEncodeError:
        data = _encode([_encodable(row) for row in rows])
    return data[_header_bytes(len(rows)) :]


def unpacked(data: bytes, records: int, packing: int) -> list[list[Any]]:
    """The rows of a block.

    Args:
        data: as stored.
        records: how many there are.
        packing: `PLAIN` or `ZLIB`.

    Raises:
        ValueError: when the data are no such block.
    """
    try:
        plain = zlib.decompress(data) if packing == ZLIB else data
        return _decode(b"\xdd" + records.to_bytes(4, "big") + plain)
    except (zlib.error, msgspec.DecodeError) as error:
        raise ValueError(str(error)) from error


def shrunk(plain: bytes) -> tuple[bytes, int]:
    """The bytes to store for these, and their packing."""
    small = zlib.compress(plain, _LEVEL)
    return (small, ZLIB) if len(small) < _WORTH_IT * len(plain) else (plain, PLAIN)


def plain_of(data: bytes, packing: int) -> bytes:
    """The rows of a block end to end, as `packed` made them."""
    return zlib.decompress(data) if packing == ZLIB else data


def to_sql(text: str) -> str | bytes:
    """Text as a column or packed value can hold it: bytes where it is not Unicode."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return text.encode("utf-8", "surrogatepass")
    return text


def from_sql(value: str | bytes) -> str:
    """The text `to_sql` was given."""
    return value if isinstance(value, str) else value.decode("utf-8", "surrogatepass")


def _header_bytes(count: int) -> int:
    """Length of a MessagePack array header (specification: fixarray, array 16, array 32)."""
    return 1 if count < 16 else 3 if count < 1 << 16 else 5


def _encodable(row: Row) -> Row:
    kind = row[2]
    if kind == ARRIVED:
        fields = list(row)
        fields[3] = to_sql(row[3])
        if len(row) > 7:
            fields[7] = {to_sql(k): to_sql(v) for k, v in row[7].items()}
        return tuple(fields)
    return (*row[:4], to_sql(row[4])) if kind == HAPPENED else row
