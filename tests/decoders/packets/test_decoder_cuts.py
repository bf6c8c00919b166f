"""Packets do not depend on how their transactions or bytes are cut into chunks."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoders.buses.transactions import Transactions
from decoders.checkcodes import check_code
from decoders.packets import line_framing
from decoders.packets.columns import Packets, joined
from decoders.packets.decoder import PacketDecoder
from decoders.packets.layout import PacketSet
from decoders.packets.resolve import read_packets
from tests.decoders.packets.tables import (
    ADDRESS,
    PEC,
    REGISTERS,
    SENTENCES,
    ask_of,
    part_of,
    reply_of,
    sentence,
    serial,
    told,
)

Transact = Callable[..., Transactions]


@st.composite
def stream_pieces(draw: st.DrawFn, camera: PacketSet) -> bytes:
    """Pieces of a reply stream: right, damaged, cut, filler, junk, syncs."""
    reply = reply_of(camera, draw(st.integers(0, 3)), draw(st.integers(0, 3)))
    how = draw(st.sampled_from(["right", "right", "damaged", "length", "cut", "small"]))
    if how == "damaged":
        at = draw(st.integers(0, len(reply) - 1))
        return reply[:at] + bytes([draw(st.integers(0, 255))]) + reply[at + 1 :]
    if how == "length":
        return reply[:3] + bytes([draw(st.integers(0, 60))]) + reply[4:]
    if how == "cut":
        return reply[: draw(st.integers(0, len(reply)))]
    if how == "small":
        return draw(
            st.sampled_from([b"\xff" * 9, b"\0\0", b"\xa5", b"\xa5\x5a", b"\x31", b"z" * 1100])
        )
    return reply


@st.composite
def bus_rows(draw: st.DrawFn, camera: PacketSet) -> list[tuple[str, bytes]]:
    """Requests, and replies spread over reads in any way."""
    rows: list[tuple[str, bytes]] = []
    for _ in range(draw(st.integers(1, 4))):
        what = draw(
            st.sampled_from(["write", "write", "write+refused", "read+refused", "write+other"])
        )
        rows.append((what, b"" if "refused" in what else ask_of(camera)))
        stream = b"".join(draw(st.lists(stream_pieces(camera), max_size=3)))
        cuts = draw(st.lists(st.integers(0, len(stream)), max_size=3))
        rows += [("read", stream[a:b]) for a, b in pairwise([0, *sorted(cuts), len(stream)])]
    return rows


def in_chunks(packet_set: PacketSet, table: Transactions, cuts: list[int]) -> Packets:
    decoder = PacketDecoder(packet_set, ADDRESS)
    places = [0, *sorted(min(cut, len(table)) for cut in cuts), len(table)]
    chunks = [decoder.feed(part_of(table, a, b)) for a, b in pairwise(places)]
    return joined([*chunks, decoder.finish()])


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.data())
def test_packets_do_not_depend_on_how_the_transactions_are_cut(
    camera: PacketSet, transact: Transact, data: st.DataObject
) -> None:
    table = transact(data.draw(bus_rows(camera)))
    whole = told(camera, in_chunks(camera, table, []))
    cuts = data.draw(st.lists(st.integers(0, len(table)), max_size=4))
    assert told(camera, in_chunks(camera, table, cuts)) == whole
    assert told(camera, in_chunks(camera, table, list(range(len(table))))) == whole


@settings(deadline=None)
@given(data=st.data())
def test_serial_packets_do_not_depend_on_how_the_bytes_are_cut(
    camera: PacketSet, data: st.DataObject
) -> None:
    stream = b"".join(data.draw(st.lists(stream_pieces(camera), max_size=5)))
    cuts = data.draw(st.lists(st.integers(0, len(stream)), max_size=6))
    whole = told(camera, serial(camera, stream, []))
    assert told(camera, serial(camera, stream, cuts)) == whole
    assert b"".join(each[5] for each in whole) == stream


LINES = st.sampled_from(
    [
        sentence(b"CIDR,12,34.5"),
        sentence(b"CIDR,13,301"),
        b"$CIDR,1,2*00",
        b"$CIDR",
        b"",
        b"\xff\x00",
        b"x" * 40,
    ]
)
ENDS = st.sampled_from([b"\n", b"\r\n", b"\r", b""])


@settings(deadline=None)
@given(
    lines=st.lists(st.tuples(LINES, ENDS).map(b"".join), max_size=8),
    cuts=st.lists(st.integers(0, 120), max_size=6),
    most=st.sampled_from([16, 4096]),
)
def test_sentences_do_not_depend_on_how_the_bytes_are_cut(
    lines: list[bytes], cuts: list[int], most: int
) -> None:
    packet_set = read_packets(SENTENCES, "s.toml")
    stream = b"".join(lines)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(line_framing, "MOST_LINE", most)
        whole = told(packet_set, serial(packet_set, stream, []))
        assert told(packet_set, serial(packet_set, stream, cuts)) == whole
        assert told(packet_set, serial(packet_set, stream, list(range(len(stream))))) == whole
    assert b"".join(each[5] for each in whole) == stream.replace(b"\r", b"").replace(b"\n", b"")


# Word 1234 of register 42, and the code over it and the address bytes 5C and 5D before it.
WORD = b"\x34\x12"
WORD_PEC = bytes([check_code("PEC").of(b"\x5c\x42\x5d" + WORD)])
REGISTER_ROWS = st.sampled_from(
    [
        ("write+restart", b"\x10"),
        ("write+restart", b"\x42"),
        ("read", WORD + WORD_PEC),
        ("read", WORD + b"\x00"),
        ("write", b"\x11"),
        ("write", b"\x11\x07"),
        ("write", b"\x42"),
        ("write", b""),
        ("write+refused", b""),
        ("read", b"\x01"),
        ("read", b"\x01\x02"),
    ]
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(rows=st.lists(REGISTER_ROWS, max_size=12), cuts=st.lists(st.integers(0, 12), max_size=5))
@pytest.mark.parametrize("text", [REGISTERS, PEC])
def test_registers_do_not_depend_on_how_the_transactions_are_cut(
    transact: Transact, text: str, rows: list[tuple[str, bytes]], cuts: list[int]
) -> None:
    packet_set = read_packets(text, "r.toml")
    table = transact(rows)
    whole = told(packet_set, in_chunks(packet_set, table, []))
    assert told(packet_set, in_chunks(packet_set, table, cuts)) == whole
    assert told(packet_set, in_chunks(packet_set, table, list(range(len(table))))) == whole


def test_a_code_covers_the_write_before_the_repeated_start_across_chunks(
    transact: Transact,
) -> None:
    packet_set = read_packets(PEC, "p.toml")
    table = transact([("write+restart", b"\x42"), ("read", WORD + WORD_PEC)])
    for cuts in ([], [1]):
        words = [each[4] for each in told(packet_set, in_chunks(packet_set, table, cuts))]
        assert words == [[], []]


@pytest.mark.parametrize("extra", range(-3, 9))
def test_a_claimed_end_at_any_byte_of_the_next_sync_is_the_same_in_any_chunks(
    camera: PacketSet, extra: int
) -> None:
    bad = bytearray(reply_of(camera, 1))
    bad[3] += extra
    stream = bytes(bad) + reply_of(camera, 2) + reply_of(camera, 3)
    whole = told(camera, serial(camera, stream, []))
    assert told(camera, serial(camera, stream, list(range(len(stream))))) == whole
    assert [each[0] for each in whole if not each[4]][-1:] == ["blocks"]


ASKED = """
[[packet]]
name = "ask-heat"
direction = "write"
field = [{ name = "what", type = "u8", constant = 1 }]
[[packet]]
name = "ask-level"
direction = "write"
field = [{ name = "what", type = "u8", constant = 2 }]
[[packet]]
name = "heat"
direction = "read"
answers = "ask-heat"
field = [{ name = "heat", type = "i8" }]
[[packet]]
name = "level"
direction = "read"
answers = "ask-level"
field = [{ name = "level", type = "u8" }]
"""


def test_a_reply_without_constants_is_told_by_its_request_across_chunks(
    transact: Transact,
) -> None:
    packet_set = read_packets(ASKED, "a.toml")
    rows = [("write", b"\x02"), ("read", b"\x80"), ("write", b"\x01"), ("read", b"\x80")]
    table = transact(rows)
    names = ["ask-level", "level", "ask-heat", "heat"]
    for cuts in ([], [1], [1, 2, 3]):
        assert [each[0] for each in told(packet_set, in_chunks(packet_set, table, cuts))] == names


TWO_KINDS = """
framing = "stream"
[[packet]]
name = "short"
field = [{ name = "sync", type = "sync", bytes = "AA" }, { name = "v", type = "u8" }]
[[packet]]
name = "long"
field = [
  { name = "sync", type = "sync", bytes = "AA" },
  { name = "v", type = "u8" },
  { name = "kind", type = "u8", constant = 0x42 },
]
"""


def test_the_kind_is_told_only_when_all_that_tells_it_is_there() -> None:
    packet_set = read_packets(TWO_KINDS, "t.toml")
    stream = bytes.fromhex("AA0142 AA02 AA0342 AA0442 AA05")
    whole = told(packet_set, serial(packet_set, stream, []))
    assert [each[0] for each in whole] == ["long", "short", "long", "long", "short"]
    assert told(packet_set, serial(packet_set, stream, list(range(len(stream))))) == whole


LATE_CONSTANT = """
[[packet]]
name = "one"
direction = "read"
field = [
  { name = "pairs", type = "repeat", times = 2, field = [{ name = "v", type = "u8" }] },
  { name = "kind", type = "u8", constant = 1 },
]
[[packet]]
name = "two"
direction = "read"
field = [
  { name = "pairs", type = "repeat", times = 2, field = [{ name = "v", type = "u8" }] },
  { name = "kind", type = "u8", constant = 2 },
]
"""


def test_a_constant_behind_a_repeat_of_fixed_times_tells_the_kind(transact: Transact) -> None:
    packet_set = read_packets(LATE_CONSTANT, "l.toml")
    table = transact([("read", b"\x01\x01\x02"), ("read", b"\x02\x02\x01")])
    got = told(packet_set, in_chunks(packet_set, table, []))
    assert [(each[0], each[4]) for each in got] == [("two", []), ("one", [])]
