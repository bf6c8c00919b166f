from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.tcp_connections import Connection, End, Part, PartRows, What
from decoders.captures.tcp_half import Piece
from decoders.messages.mqtt_opening import PORT, TLS_PORT, Opening, Told, Verdict
from tests.decoders.messages.mqtt_made import connack, connect, publish

HELLO = b"\x16\x03\x01\x02\x00\x01\x00"  # RFC 8446 section 5.1: a record of a handshake
HTTP = b"GET / HTTP/1.1\r\n\r\n"


def connection(opener: int | None, *, port: int = PORT) -> Connection:
    """Half 0 is sent from port 50112."""
    return Connection(1, (End(bytes(16), 50112), End(b"\1" * 16, port)), opener=opener)


def part(of: Connection, *rows: tuple[int, bytes | int]) -> Part:
    """Rows of (half, bytes or how many are missing), a frame each from 1 on."""
    found = PartRows(of)
    for k, (half, row) in enumerate(rows):
        piece = Piece(k, b"", row) if isinstance(row, int) else Piece(k, row)
        found.pieces(half, k + 1, [piece])
    return found.part()


def told(of: Connection, *rows: tuple[int, bytes | int]) -> Told | None:
    return Opening(of).feed(part(of, *rows))


def test_a_connection_that_begins_with_a_connect_is_mqtt_on_any_port() -> None:
    assert told(connection(0, port=9001), (0, connect())) == Told(Verdict.MQTT, 0, 1)


@settings(deadline=None)
@given(cuts=st.lists(st.integers(0, len(connect())), max_size=6), together=st.booleans())
def test_it_is_told_by_the_same_byte_however_the_connect_is_cut(
    cuts: list[int], together: bool
) -> None:
    whole, of = connect(), connection(1, port=9001)
    edges = sorted({0, *cuts, len(whole)})
    rows: list[tuple[int, bytes | int]] = [(1, whole[a:b]) for a, b in pairwise(edges)]
    opening = Opening(of)
    parts = [part(of, *rows)] if together else [part(of, row) for row in rows]
    verdicts = [found for found in map(opening.feed, parts) if found is not None]
    assert (verdicts[0].verdict, verdicts[0].client) == (Verdict.MQTT, 1)


def test_too_few_bytes_tell_nothing_yet() -> None:
    assert told(connection(0), (0, connect()[:12])) is None


def test_on_mqtts_port_something_else_breaks_the_standard() -> None:
    assert told(connection(0), (0, HTTP)) == Told(Verdict.NO_CONNECT, 0, 1)


def test_elsewhere_something_else_is_nobodys_business() -> None:
    assert told(connection(0, port=80), (0, HTTP)) == Told(Verdict.OTHER, 0, 1)


@pytest.mark.parametrize("length", [3, 7])  # less could become a CONNECT
def test_tls_is_told_on_the_port_of_mqtt_over_tls_alone(length: int) -> None:
    hello = HELLO[:length]
    assert told(connection(0, port=TLS_PORT), (0, hello)) == Told(Verdict.TLS, 0, 1)
    assert told(connection(0, port=443), (0, hello)) == Told(Verdict.OTHER, 0, 1)


def test_an_answer_that_comes_to_light_first_is_waited_out() -> None:
    of = connection(0, port=9001)
    assert told(of, (1, connack()), (0, connect())) == Told(Verdict.MQTT, 0, 2)
    assert told(of, (1, bytes(1 << 14)), (1, b"?")) == Told(Verdict.OTHER, 0, 2)


def test_one_that_was_open_before_is_mqtt_on_mqtts_port_alone() -> None:
    assert told(connection(None), (1, publish("a"))) == Told(Verdict.MQTT, 0, 1)
    assert told(connection(None, port=9001), (1, publish("a"))) == Told(Verdict.OTHER, 1, 1)


def test_without_its_syn_the_half_that_says_connect_is_the_client() -> None:
    assert told(connection(None, port=9001), (1, connect())) == Told(Verdict.MQTT, 1, 1)


def test_a_hole_before_the_first_byte_leaves_only_the_port_to_go_by() -> None:
    assert told(connection(0), (0, 40)) == Told(Verdict.MQTT, 0, 1)
    assert told(connection(0, port=9001), (0, 40)) == Told(Verdict.OTHER, 0, 1)


def test_one_that_ends_before_it_said_anything_is_no_mqtt() -> None:
    of = connection(0)
    rows = PartRows(of)
    rows.end(What.RST, 1, 5, 0)
    assert Opening(of).feed(rows.part()) == Told(Verdict.OTHER, 0, 5)
