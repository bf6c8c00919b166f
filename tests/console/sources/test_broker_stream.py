"""Plain messages are taken off a stream, and all else reaches the library byte for byte."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.sources.broker_stream import Stream, connected
from tests.console.sources.brokers import free_port
from tests.console.sources.scripted_broker import length_of, publish

PLAIN = st.builds(
    publish,
    st.binary(min_size=1, max_size=200),
    st.binary(max_size=400),
    flags=st.sampled_from([0, 1, 8, 9]),
)
OTHER = st.one_of(
    st.builds(publish, st.just(b"a"), st.binary(max_size=9), qos=st.integers(1, 3)),
    st.builds(lambda t, body: bytes([t]) + length_of(len(body)) + body,
              st.sampled_from([0x20, 0x90, 0xD0, 0x62, 0x00, 0xF0]), st.binary(max_size=200)),
)  # fmt: skip


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    near, far = socket.socketpair()
    near.setblocking(False)
    with near, far:
        yield near, far


def taken(stream: Stream) -> list[bytes]:
    """What one reading gives: plain messages built anew, and what the library reads."""
    stream.fill()
    found: list[bytes] = []
    while True:
        for m in stream.plain():
            flags = m.retain | m.duplicate << 3
            found.append(publish(m.topic, m.payload, flags=flags))
        if not stream.hand_over():
            return found
        while stream.handed:
            try:
                found.append(stream.recv(7))
            except BlockingIOError:
                return found


@settings(max_examples=150, deadline=None)
@given(
    packets=st.lists(st.one_of(PLAIN, PLAIN, OTHER), max_size=12),
    cuts=st.lists(st.integers(0, 3000), max_size=6),
)
def test_nothing_is_lost_or_changed_however_the_bytes_come(
    packets: list[bytes], cuts: list[int]
) -> None:
    whole = b"".join(packets)
    edges = [0, *sorted(min(cut, len(whole)) for cut in cuts), len(whole)]
    near, far = socket.socketpair()
    near.setblocking(False)
    with near, far:
        stream = Stream(near, is_5=False)
        found = []
        for a, b in pairwise(edges):
            far.sendall(whole[a:b])
            if not stream.handed:
                found += taken(stream)
            else:
                found += rest_of_packet(stream)
    assert b"".join(found) == whole


def rest_of_packet(stream: Stream) -> list[bytes]:
    """What the library reads of a packet it has begun, and what follows."""
    found = []
    while stream.handed:
        try:
            found.append(stream.recv(7))
        except BlockingIOError:
            return found
    return found + taken(stream)


def test_plain_messages_do_not_reach_the_library(ends: tuple[socket.socket, ...]) -> None:
    near, far = ends
    stream = Stream(near, is_5=False)
    far.sendall(publish(b"a", b"1") + publish(b"b/c", b"", flags=9) + b"\xd0\0")
    stream.fill()
    assert [m[:4] for m in stream.plain()] == [
        (b"a", b"1", False, False),
        (b"b/c", b"", True, True),
    ]
    assert (stream.hand_over(), stream.handed, stream.recv(9)) == (True, 2, b"\xd0\0")


def test_in_mqtt_5_messages_with_properties_are_the_librarys(
    ends: tuple[socket.socket, ...],
) -> None:
    # MQTT 5.0 section 3.3.2.3: the property length follows the topic
    near, far = ends
    stream = Stream(near, is_5=True)
    plain, told = bytes.fromhex("3005 0001 61 00 78"), bytes.fromhex("3007 0001 61 02 0101 78")
    far.sendall(plain + told)
    stream.fill()
    assert [m[:2] for m in stream.plain()] == [(b"a", b"x")]
    assert (stream.hand_over(), stream.recv(99)) == (True, told)


@pytest.mark.parametrize(
    "odd",
    [
        "30 00",  # no topic length
        "30 02 0000",  # an empty topic
        "30 03 0005 61",  # a topic longer than the packet
        "30 FF FF FF FF 01",  # a remaining length of five bytes (section 2.2.3)
    ],
)
def test_what_is_malformed_is_left_to_the_library(
    odd: str, ends: tuple[socket.socket, ...]
) -> None:
    near, far = ends
    stream = Stream(near, is_5=False)
    far.sendall(bytes.fromhex(odd))
    stream.fill()
    assert stream.plain() == []
    assert (stream.hand_over(), stream.recv(99)) == (True, bytes.fromhex(odd))


def test_a_large_message_is_the_librarys_before_all_of_it_has_come(
    ends: tuple[socket.socket, ...],
) -> None:
    near, far = ends
    stream = Stream(near, is_5=False)
    far.sendall(publish(b"a", bytes(1 << 20))[:1000])
    stream.fill()
    assert stream.plain() == []
    assert (stream.hand_over(), len(stream.recv(1 << 20))) == (True, 1000)


def test_the_end_of_the_connection_is_for_the_library_to_see(
    ends: tuple[socket.socket, ...],
) -> None:
    near, far = ends
    stream = Stream(near, is_5=False)
    far.sendall(publish(b"a", b"1"))
    far.close()
    stream.fill()
    assert len(stream.plain()) == 1
    stream.fill()
    assert (stream.plain(), stream.hand_over(), stream.recv(1)) == ([], True, b"")


def test_a_broken_connection_is_for_the_library_to_see() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        near = connected("127.0.0.1", server.getsockname()[1], None, 30.0)
        far, _ = server.accept()
        far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
        far.close()  # with a reset
        stream = Stream(near, is_5=False)
        with near:
            stream.fill()
            assert stream.hand_over()
            with pytest.raises(ConnectionResetError):
                stream.recv(1)


def test_a_connection_that_is_refused_leaves_nothing_open() -> None:
    with pytest.raises(ConnectionRefusedError):
        connected("127.0.0.1", free_port(), None, 30.0)
