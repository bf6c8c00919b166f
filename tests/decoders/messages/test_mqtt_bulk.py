"""Plain messages as columns, held equal to the reading packet by packet."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.tcp_connections import Connection, End, PartRows
from decoders.captures.tcp_half import Piece
from decoders.messages.mqtt_bulk import Plain, pings, plain_publishes
from decoders.messages.mqtt_bytes import MalformedError
from decoders.messages.mqtt_packets import Packet, Publish, packet
from decoders.messages.mqtt_stream import Cut, HalfStream
from tests.decoders.messages.mqtt_made import (
    DISCONNECT,
    PINGREQ,
    PINGRESP,
    ack,
    made,
    publish,
    subscribe,
)

NO_PROPERTIES, ALIAS = b"", b"\x23\0\x07"


def cut_of(*packets: bytes) -> Cut:
    rows = PartRows(Connection(1, (End(bytes(16), 1), End(bytes(16), 2))))
    rows.pieces(0, 1, [Piece(0, b"".join(packets))])
    (found,) = HalfStream().feed(rows.part(), 0)
    assert isinstance(found, Cut)
    assert len(found) == len(packets)
    return found


def rows_of(plain: Plain) -> list[tuple[int, str, bytes, bool]]:
    columns = plain.at.tolist(), plain.topics, plain.payloads, plain.retain.tolist()
    return list(zip(*columns, strict=True))


def test_messages_of_qos_0_are_taken_off_with_their_place() -> None:
    cut = cut_of(
        publish("a/b", b"1"),
        PINGREQ,
        publish("a/b", b"2", qos=1, packet_id=7),
        publish("c", b"", retain=True),
        publish("d", b"x" * 200),
    )
    found = rows_of(plain_publishes(cut, 4, {}))
    assert found == [(0, "a/b", b"1", False), (3, "c", b"", True), (4, "d", b"x" * 200, False)]


def test_in_5_0_only_those_without_properties_are_plain() -> None:
    cut = cut_of(
        publish("a", b"1", properties=NO_PROPERTIES),
        publish("a", b"2", properties=ALIAS),
        publish("", b"3", properties=ALIAS),
    )
    assert rows_of(plain_publishes(cut, 5, {})) == [(0, "a", b"1", False)]


@pytest.mark.parametrize(
    "odd",
    [
        publish("a/+", b"1"),
        publish("a/#", b"1"),
        publish("a\0b", b"1"),
        publish("", b"1"),
        made(0x30, b"\0\x03a\xc3\x28" + b"1"),
        made(0x30, b"\0\x09ab"),
        made(0x30, b"\0"),
        made(0x38, b"\0\x01a"),
    ],
    ids=["plus", "hash", "zero", "empty", "no UTF-8", "too short", "one byte", "DUP"],
)
def test_what_is_odd_is_left_to_the_reading_packet_by_packet(odd: bytes) -> None:
    cut = cut_of(publish("a", b"1"), odd, publish("b", b"2"))
    assert plain_publishes(cut, 4, {}).at.tolist() == [0, 2]


def test_a_name_that_was_seen_is_not_read_again() -> None:
    known = {b"a": "a name of its own"}
    assert plain_publishes(cut_of(publish("a"), publish("b")), 4, known).topics == [
        "a name of its own",
        "b",
    ]
    assert known[b"b"] == "b"


def test_names_are_remembered_up_to_a_bound() -> None:
    known = {str(k).encode(): str(k) for k in range(1 << 16)}
    assert plain_publishes(cut_of(publish("a")), 4, known).topics == ["a"]
    assert known == {b"a": "a"}


PIECES = [
    publish("a/b", b"1"),
    publish("c", b"\0"),
    publish("c", b"", retain=True),
    publish("é", b"x" * 150),
    publish("a/b", b"2", qos=2, packet_id=3),
    publish("a/b", b"3", properties=NO_PROPERTIES),
    publish("a/b", b"4", properties=ALIAS),
    publish("#", b"5"),
    subscribe(),
    ack(0x40, 3),
    PINGREQ,
    DISCONNECT,
]


@settings(deadline=None)
@given(packets=st.lists(st.sampled_from(PIECES), min_size=1), version=st.sampled_from([3, 4, 5]))
def test_plain_ones_are_what_the_packet_reader_makes_of_them(
    packets: list[bytes], version: int
) -> None:
    cut = cut_of(*packets)
    read = [reading(cut, k, version) for k in range(len(cut))]
    expected = [
        (k, found.topic, found.payload, found.retain)
        for k, found in enumerate(read)
        if isinstance(found, Publish) and found == simple(found)
    ]
    assert rows_of(plain_publishes(cut, version, {})) == expected


def reading(cut: Cut, k: int, version: int) -> Packet | None:
    try:
        return packet(int(cut.first[k]), cut.body_of(k), version, from_client=True)
    except MalformedError:
        return None


def simple(found: Publish) -> Publish:
    return Publish(found.topic, found.payload, 0, found.retain, False)


def test_pings_are_those_that_a_side_may_send() -> None:
    cut = cut_of(PINGREQ, PINGRESP, publish("a"), PINGREQ, b"\xc0\x01\0", b"\xc1\0")
    assert pings(cut, from_client=True).tolist() == [0, 3]
    assert pings(cut, from_client=False).tolist() == [1]
    assert pings(cut, from_client=True).dtype == np.int64
