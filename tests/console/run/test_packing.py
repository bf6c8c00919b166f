from __future__ import annotations

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.run.packing import (
    from_sql,
    packed,
    plain_of,
    record_of,
    row_of,
    shrunk,
    to_sql,
    unpacked,
)
from console.run.schema import PLAIN, ZLIB
from console.sources.records import Arrived, Chunk, Happened, Record
from tests.console.run.making import RECORDS, TEXT


@settings(deadline=None)  # machines are busy
@given(st.lists(RECORDS, max_size=40))
def test_records_come_out_of_a_block_as_they_went_in(records: list[Record]) -> None:
    data = packed([row_of(record, seq) for seq, record in enumerate(records)])
    rows = unpacked(data, len(records), PLAIN)
    again = [record_of(row, records[k].source) for k, row in enumerate(rows)]
    assert again == records
    assert [row[1] for row in rows] == list(range(len(records)))


@settings(deadline=None)  # machines are busy
@given(st.lists(RECORDS, max_size=10), st.lists(RECORDS, max_size=10))
def test_blocks_joined_end_to_end_are_a_block(first: list[Record], second: list[Record]) -> None:
    rows = [row_of(record, seq) for seq, record in enumerate(first + second)]
    parts = packed(rows[: len(first)]) + packed(rows[len(first) :])
    assert unpacked(parts, len(rows), PLAIN) == unpacked(packed(rows), len(rows), PLAIN)


@pytest.mark.parametrize("count", [0, 1, 15, 16, 65535, 65536])
def test_no_count_of_records_shifts_their_bytes(count: int) -> None:
    # MessagePack specification: array headers change form at 16 and 65,536 elements.
    rows = [(k, k, 0, b"") for k in range(count)]
    assert unpacked(packed(rows), count, PLAIN) == [[*row] for row in rows]


def test_a_block_is_plain_messagepack_as_documented() -> None:
    records: list[Record] = [
        Chunk("a", 5, b"\x00\xff"),
        Arrived("a", 6, "t/x", b"{}", 2, retain=True, duplicate=True, properties={"k": "v"}),
        Happened("a", 7, "break", "why"),
    ]
    data = packed([row_of(record, seq) for seq, record in enumerate(records, 1)])
    # "\x93": fixarray of three, by the MessagePack specification.
    assert msgspec.msgpack.decode(b"\x93" + data) == [
        [5, 1, 0, b"\x00\xff"],
        [6, 2, 1, "t/x", b"{}", 2, 3, {"k": "v"}],
        [7, 3, 2, "break", "why"],
    ]


def test_text_is_shrunk_and_noise_stays_plain() -> None:
    text = b"[17] level 411 mm\n" * 100
    noise = bytes(k * k * 7919 % 251 for k in range(64))
    small, packing = shrunk(text)
    assert packing == ZLIB
    assert len(small) < len(text) / 10
    assert plain_of(small, packing) == text
    assert shrunk(noise) == (noise, PLAIN)


@pytest.mark.parametrize(
    ("data", "records", "packing"),
    [
        (b"\x94\x01", 1, PLAIN),
        (b"\x90\x90", 1, PLAIN),
        (b"no stream", 1, ZLIB),
        (b"\x01", 1, PLAIN),
    ],
)
def test_what_is_no_block_is_a_value_error(data: bytes, records: int, packing: int) -> None:
    with pytest.raises(ValueError, match=r"."):
        unpacked(data, records, packing)


@settings(deadline=None)  # machines are busy
@given(TEXT)
def test_any_text_passes_through_a_column(text: str) -> None:
    assert from_sql(to_sql(text)) == text
