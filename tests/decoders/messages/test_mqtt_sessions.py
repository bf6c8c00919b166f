"""Handshakes, keep alive, take-overs and packets out of turn, from captures made by hand."""

from __future__ import annotations

import pytest

from decoders.messages.mqtt_happenings import Happening
from tests.decoders.captures.network_files import START_NS, Talk, in_time
from tests.decoders.messages.mqtt_made import (
    DISCONNECT,
    PINGREQ,
    PINGRESP,
    PUBACK,
    PUBCOMP,
    PUBREC,
    PUBREL,
    SUBACK,
    Found,
    ack,
    connack,
    connect,
    decoded,
    made,
    publish,
    subscribe,
)


def talk(version: int = 4, *, present: bool = False, **told: object) -> Talk:
    opened = Talk().open().says(connect(version=version, **told))  # type: ignore[arg-type]
    return opened.hears(connack(version=version, present=present))


def tally(found: Found, kind: str) -> tuple[int, int, int]:
    counts = found.decoder.mqtt.sessions.handshakes[kind]
    return counts.completed, counts.refused, counts.unfinished


# MQTT 3.1.1 and 5.0 section 4.3: who answers what.
ONE = publish("a", qos=1, packet_id=9)
TWO = publish("a", qos=2, packet_id=9)
FLOWS = [
    ("QoS 1", [(0, ONE), (1, ack(PUBACK, 9))], (1, 0, 0)),
    ("QoS 1", [(1, ONE), (0, ack(PUBACK, 9))], (1, 0, 0)),
    ("QoS 1", [(0, ONE)], (0, 0, 1)),
    ("QoS 1", [(0, ONE), (1, ack(PUBACK, 8))], (0, 0, 1)),
    ("QoS 1", [(0, ONE), (0, ack(PUBACK, 9))], (0, 0, 1)),
    ("QoS 1", [(0, ONE), (1, ONE), (0, ack(PUBACK, 9)), (1, ack(PUBACK, 9))], (2, 0, 0)),
    (
        "QoS 2",
        [(0, TWO), (1, ack(PUBREC, 9)), (0, ack(PUBREL, 9)), (1, ack(PUBCOMP, 9))],
        (1, 0, 0),
    ),
    ("QoS 2", [(0, TWO), (1, ack(PUBREC, 9)), (0, ack(PUBREL, 9))], (0, 0, 1)),
    ("SUBSCRIBE", [(0, subscribe(9)), (1, ack(SUBACK, 9, 1))], (1, 0, 0)),
    ("SUBSCRIBE", [(0, subscribe(9))], (0, 0, 1)),
]


@pytest.mark.parametrize(("kind", "flow", "expected"), FLOWS)
def test_handshakes_are_completed_or_not(
    kind: str, flow: list[tuple[int, bytes]], expected: tuple[int, int, int]
) -> None:
    told = talk()
    for side, packet in flow:
        told.send(side, packet)
    assert tally(decoded(told.close().frames), kind) == expected


def test_a_half_handshake_is_told_where_it_began_with_what_was_missing() -> None:
    found = decoded(talk().says(TWO).hears(ack(PUBREC, 9)).wait(5).close().frames)
    (event,) = [event for event in found.events if event.what is Happening.HALF_HANDSHAKE]
    assert event.t_ns == START_NS + 5_000_000
    assert event.detail == (
        "PUBLISH of QoS 2 on a, identifier 9, of the client: no PUBREL until the connection ended"
    )


def test_what_began_just_before_the_end_of_the_capture_is_not_called_unfinished() -> None:
    assert "half-handshake" not in decoded(talk().says(ONE).frames).whats()
    late = talk().says(ONE).wait(2).says(PINGREQ)
    assert decoded(late.frames).details(Happening.HALF_HANDSHAKE) == [
        "PUBLISH of QoS 1 on a, identifier 9, of the client: no PUBACK until the capture ended"
    ]


def test_what_may_have_been_answered_in_a_hole_is_not_called_unfinished() -> None:
    holed = talk().says(ONE).lose(1, ack(PUBACK, 9)).hears(PINGRESP).says(PINGREQ).wait(0.2)
    found = decoded(holed.says(PINGREQ).close().frames)
    assert "lost" in found.whats()
    assert "half-handshake" not in found.whats()


def test_a_session_that_is_kept_completes_its_handshakes_later() -> None:
    first = talk(clean=False).says(TWO).hears(ack(PUBREC, 9)).close()
    again = Talk(port=2, t_ns=first.t_ns).open().says(connect(clean=False))
    again.hears(connack(present=True)).says(ack(PUBREL, 9)).hears(ack(PUBCOMP, 9), PINGRESP)
    found = decoded(first.frames + again.says(DISCONNECT).close().frames)
    assert tally(found, "QoS 2") == (1, 0, 0)
    assert "half-handshake" not in found.whats()


def test_a_session_that_was_not_kept_leaves_its_handshakes_undone() -> None:
    first = talk(clean=False).says(ONE).close()
    again = Talk(port=2, t_ns=first.t_ns).open().says(connect(clean=False)).hears(connack())
    assert decoded(first.frames + again.frames).details(Happening.HALF_HANDSHAKE) == [
        "PUBLISH of QoS 1 on a, identifier 9, of the client: no PUBACK until the session was "
        "discarded"
    ]


QUOTA = made(0x50, b"\0\x09\x97")
OUT_OF_TURN = [
    (4, [(0, connect())], "[MQTT-3.1.0-2] a second CONNECT"),
    (4, [(0, DISCONNECT), (0, ONE)], "[MQTT-3.14.4-2] a packet after its sender's DISCONNECT"),
    (4, [(0, ONE), (0, ONE)], "[MQTT-2.3.1-2] packet identifier 9 used again before it was free"),
    (
        4,
        [(0, TWO), (1, ack(PUBREC, 9)), (0, ack(PUBREL, 9)),
         (0, publish("a", qos=2, packet_id=9, duplicate=True))],
        "[MQTT-4.3.3-1] PUBLISH 9 sent again after its PUBREL",
    ),
    (4, [(0, TWO), (1, ack(PUBACK, 9))], "[MQTT section 4.3] PUBACK 9 in place of PUBREC"),
    (
        5,
        [(0, publish("a", qos=1, packet_id=9, properties=b"")),
         (0, publish("a", qos=1, packet_id=9, duplicate=True, properties=b""))],
        "[MQTT-4.4.0-1] PUBLISH 9 sent again on the same connection",
    ),
    (
        5,
        [(0, publish("a", qos=2, packet_id=9, properties=b"")), (1, QUOTA), (0, ack(PUBREL, 9))],
        "[MQTT-4.3.3-4] PUBREL 9 after a PUBREC that refused it",
    ),
    (
        5,
        [(0, publish("", properties=b"\x23\x00\x07"))],
        "[MQTT 5.0 section 3.3.2.3.4] topic alias 7 before it was given a topic",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("version", "flow", "detail"), OUT_OF_TURN)
def test_what_may_not_come_then_is_named_by_the_statement_it_breaks(
    version: int, flow: list[tuple[int, bytes]], detail: str
) -> None:
    told = talk(version)
    for side, packet in flow:
        told.send(side, packet)
    assert decoded(told.frames).details(Happening.VIOLATION) == [detail]


def test_a_broker_speaks_only_after_its_connack() -> None:
    early = Talk().open().says(connect()).hears(ONE, connack())
    assert decoded(early.frames).details(Happening.VIOLATION) == [
        "[MQTT-3.2.0-1] the broker sends before its CONNACK"
    ]


def test_a_refusal_by_reason_code_is_told_in_words() -> None:
    told = talk(5).says(publish("a", qos=2, packet_id=9, properties=b"")).hears(QUOTA)
    found = decoded(told.frames)
    assert found.details(Happening.REFUSED_MESSAGE) == ["PUBREC 9: quota exceeded (0x97)"]
    assert tally(found, "QoS 2") == (0, 1, 0)


# MQTT 3.1.1 [MQTT-3.1.2-24]: the broker disconnects within one and a half times the keep alive.
def test_a_client_that_falls_silent_is_ended_by_its_keep_alive() -> None:
    silent = talk(keep_alive=10, will="w").says(PINGREQ).wait(15.2).close(1)
    assert decoded(silent.frames).details(Happening.KEEP_ALIVE) == [
        "silent for 15.2 s with a keep alive of 10 s; the broker closed the connection; its will "
        "on w is due"
    ]


def test_a_broker_that_says_so_needs_no_measuring() -> None:
    told = talk(5, keep_alive=10).wait(12).hears(b"\xe0\x02\x8d\x00").close(1)
    found = decoded(told.frames)
    assert found.whats() == ["connect", "connack", "keep-alive"]


def test_an_end_within_the_keep_alive_has_another_cause() -> None:
    found = decoded(talk(keep_alive=10).wait(12).close(1).frames)
    assert found.whats() == ["connect", "connack", "dropped"]


def test_any_packet_of_the_client_keeps_it_alive() -> None:
    told = talk(keep_alive=10)
    for _ in range(4):
        told.wait(9).says(publish("a")).wait(9).says(PINGREQ)
    assert decoded(told.says(DISCONNECT).close().frames).whats() == [
        "connect", "connack", "disconnect",
    ]  # fmt: skip


def test_a_broker_that_lets_a_client_be_silent_breaks_the_standard() -> None:
    told = talk(keep_alive=10).says(publish("a")).wait(16).says(publish("a"))
    assert decoded(told.frames).details(Happening.VIOLATION) == [
        "[MQTT-3.1.2-24] silent for 16 s, more than 1.5 times its keep alive of 10 s, and not "
        "disconnected"
    ]


def test_a_silence_that_lasts_to_the_end_is_told_when_it_was_due() -> None:
    told = talk(keep_alive=10).wait(30).hears(PINGRESP)
    (event,) = [e for e in decoded(told.frames).events if e.what is Happening.KEEP_ALIVE]
    assert event.t_ns == START_NS + 3_000_000 + 15_000_000_000


def test_the_keep_alive_the_broker_asks_for_counts() -> None:
    told = Talk().open().says(connect(version=5, keep_alive=100))
    told.hears(connack(version=5, more=b"\x13\x00\x02")).wait(3.1).close(1)
    assert "keep-alive" in decoded(told.frames).whats()


def taken_over(count: int, *, seconds: float = 1) -> list[Talk]:
    """Connections with one client identifier, each of which ends the one before it."""
    talks: list[Talk] = []
    for k in range(count + 1):
        new = Talk(client=f"10.0.0.{7 + k % 2}", port=3000 + k).wait(k * seconds).open()
        new.says(connect())
        if talks:
            talks[-1].t_ns = new.t_ns
            talks[-1].close(1)
            new.t_ns = talks[-1].t_ns
        talks.append(new.hears(connack()))
    return talks


def test_a_connection_whose_identifier_is_used_again_is_taken_over() -> None:
    found = decoded(in_time(*taken_over(1)))
    assert found.details(Happening.TAKEN_OVER) == [
        "the connection from 10.0.0.7:3000 is taken over by one from 10.0.0.8:3001"
    ]
    assert "dropped" not in found.whats()


def test_two_that_take_one_identifier_from_each_other_are_a_duel() -> None:
    found = decoded(in_time(*taken_over(5)))
    assert found.details(Happening.DUEL) == [
        "3 take-overs in 2 s: two with one client identifier, on 10.0.0.7 and 10.0.0.8"
    ]


def test_take_overs_that_are_far_apart_are_none() -> None:
    assert "duel" not in decoded(in_time(*taken_over(5, seconds=61))).whats()


def test_the_broker_may_say_that_a_session_was_taken_over() -> None:
    found = decoded(talk(5).hears(b"\xe0\x02\x8e\x00").close(1).frames)
    assert found.whats() == ["connect", "connack", "taken-over"]


def test_a_refused_connection_takes_nothing_over() -> None:
    first = talk()
    second = Talk(port=2).wait(1).open().says(connect()).hears(connack(2)).close(1)
    first.wait(3).says(DISCONNECT).close()
    assert "taken-over" not in decoded(in_time(first, second)).whats()
