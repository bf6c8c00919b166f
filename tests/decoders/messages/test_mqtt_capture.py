"""Whole captures: what MQTT did in them, and that nothing depends on how they are cut."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.messages.mqtt_happenings import Happening
from tests.decoders.captures.network_files import START_NS, Stamped, Talk, in_time
from tests.decoders.messages.mqtt_made import (
    DISCONNECT,
    PINGREQ,
    PINGRESP,
    PUBACK,
    PUBCOMP,
    PUBREC,
    PUBREL,
    SUBACK,
    Message,
    ack,
    connack,
    connect,
    decoded,
    made,
    publish,
    subscribe,
)

ALIAS = b"\x23\x00\x07"  # property 35, topic alias 7


def talk(**told: object) -> Talk:
    """A connection that is open and let in."""
    return Talk().open().says(connect(**told)).hears(connack())  # type: ignore[arg-type]


def busy() -> list[Stamped]:
    """Four connections of all kinds: QoS 2, aliases, a duel, losses, something else than MQTT."""
    one = talk(will="capline/status").says(subscribe(), publish("a", b"1", qos=2, packet_id=5))
    one.hears(ack(SUBACK, 1, 1), ack(PUBREC, 5)).says(ack(PUBREL, 5), publish("a/b", b"2"))
    one.says(PINGREQ + publish("a/b", b"3") + publish("c", b"4" * 300)).hears(PINGRESP)
    one.says(b"\x30\x04\0\x02", b"ab").hears(ack(PUBCOMP, 5)).lose(0, publish("a/b", b"lost"))
    one.says(publish("a/b", b"5"), publish("a/b", b"6")).hears(PINGRESP).wait(0.2)
    one.hears(PINGRESP, publish("x", b"7", retain=True)).wait(200).says(PINGREQ).close(1)
    two = Talk(client="fd00::8", broker="fd00::1", port=40000).wait(0.0003).open()
    two.says(connect("", version=5)).hears(connack(version=5, more=b"\x12\0\x06auto-1"))
    two.says(publish("long/topic", b"1", properties=ALIAS), publish("", b"2", properties=ALIAS))
    two.hears(publish("y", b"3", qos=1, packet_id=5, properties=b"")).says(ack(0x60, 9))
    three = Talk(client="10.0.0.9", port=40001).wait(0.0007).says(publish("m", b"1"), PINGREQ)
    three.hears(publish("m", b"1")).says(b"\x30\xff\xff\xff\xff").says(publish("m", b"2")).reset(1)
    other = Talk(port=40002, broker_port=80).wait(0.0001).open().says(b"GET / HTTP/1.1\r\n\r\n")
    return in_time(one, two, three, other.hears(b"HTTP/1.1 200 OK\r\n\r\n").close())


def test_messages_have_client_direction_topic_and_time() -> None:
    frames = talk().says(publish("a/b", b"hi", retain=True)).hears(publish("c", b"")).frames
    assert decoded(frames).messages == [
        Message(6, START_NS + 5_000_000, "capline-01", "to-broker", "a/b", b"hi", 0, True),
        Message(7, START_NS + 6_000_000, "capline-01", "from-broker", "c", b""),
    ]


@settings(max_examples=80, deadline=None)
@given(cuts=st.lists(st.integers(0, 4500), max_size=12))
def test_nothing_depends_on_how_the_file_is_cut(cuts: list[int]) -> None:
    whole, cut = decoded(BUSY), decoded(BUSY, cuts)
    assert cut.messages == whole.messages
    assert cut.events == whole.events
    assert cut.decoder.remarks == whole.decoder.remarks
    assert cut.decoder.mqtt.holes == whole.decoder.mqtt.holes


BUSY = busy()


def test_the_busy_capture_holds_what_was_put_into_it() -> None:
    found = decoded(BUSY)
    assert [(m.client, m.topic, m.payload[:4]) for m in found.messages] == [
        ("", "m", b"1"),
        ("", "m", b"1"),
        ("", "m", b"2"),
        ("auto-1", "long/topic", b"1"),
        ("capline-01", "a", b"1"),
        ("auto-1", "long/topic", b"2"),
        ("auto-1", "y", b"3"),
        ("capline-01", "a/b", b"2"),
        ("capline-01", "a/b", b"3"),
        ("capline-01", "c", b"4444"),
        ("capline-01", "ab", b""),
        ("capline-01", "a/b", b"5"),
        ("capline-01", "a/b", b"6"),
        ("capline-01", "x", b"7"),
    ]
    assert len(found.decoder.mqtt.holes) == 1
    assert found.decoder.mqtt.facts.connections == 3


@settings(max_examples=40, deadline=None)
@given(
    order=st.randoms(use_true_random=False),
    repeats=st.lists(st.integers(0, 20), max_size=5),
    cuts=st.lists(st.integers(0, 3000), max_size=4),
)
def test_swapped_and_repeated_segments_change_nothing_that_was_said(
    order: random.Random, repeats: list[int], cuts: list[int]
) -> None:
    client = Talk().open().says(connect()).hears(connack())
    for k in range(8):
        client.says(publish("a/b", b"%d" % k, qos=k % 2, packet_id=k + 1))
    frames = client.frames
    sent = frames[5:] + [frames[5 + k % 8] for k in repeats]
    order.shuffle(sent)
    shuffled = [
        each._replace(t_ns=START_NS + k * 1000) for k, each in enumerate([*frames[:5], *sent])
    ]
    found = decoded(shuffled, cuts)
    assert [m.payload for m in found.messages] == [b"%d" % k for k in range(8)]
    assert "malformed" not in found.whats()
    assert "violation" not in found.whats()


def test_a_connection_on_another_port_is_told_by_its_connect() -> None:
    frames = Talk(broker_port=52000).open().says(connect()[:5], connect()[5:], publish("a")).frames
    assert [m.topic for m in decoded(frames).messages] == ["a"]


def test_what_is_not_mqtt_is_counted_and_not_read() -> None:
    web = Talk(broker_port=80).open().says(b"GET / HTTP/1.1\r\n\r\n", publish("a"))
    secret = Talk(port=2, broker_port=8883).wait(1).open().says(b"\x16\x03\x01\x02\x00" + b"?" * 50)
    found = decoded(in_time(web, secret))
    assert (found.messages, found.events) == ([], [])
    assert found.decoder.remarks[:2] == [
        "9 frames; 0 MQTT connections (2 TCP connections carry something else)",
        "1 connections are encrypted (TLS) and cannot be read",
    ]


def test_a_connection_on_mqtts_port_must_begin_with_a_connect() -> None:
    found = decoded(Talk().open().says(publish("a/b", b"0123456789")).frames)
    assert found.details(Happening.MALFORMED) == [
        "[MQTT-3.1.0-1] a packet of the client: the connection does not begin with a CONNECT"
    ]


@pytest.mark.parametrize("version", [4, 5])
def test_the_version_is_told_by_packets_where_the_connect_was_not_captured(version: int) -> None:
    empty = b"" if version == 5 else None
    frames = Talk().says(publish("a/b", b'{"n": 1}', properties=empty)).frames
    assert decoded(frames).messages[0].payload == b'{"n": 1}'


def test_a_will_and_what_is_asked_for_are_told_without_any_secret() -> None:
    body = bytes.fromhex(
        "103B00044D51545404EE000A000A6361706C696E652D3031000E6361706C696E652F7374617475730007"
        "6F66666C696E6500026F700006736563726574"
    )
    found = decoded(Talk().open().says(body).hears(connack()).reset(0).frames)
    assert found.details(Happening.CONNECT) == [
        "from 10.0.0.7:50112: MQTT 3.1.1, keep alive 10 s, clean, will on capline/status "
        "(QoS 1, retained), with user name and password"
    ]
    assert found.details(Happening.DROPPED) == [
        "the client reset the connection without a DISCONNECT, 0.002 s after the client's last "
        "packet; its will on capline/status is due"
    ]
    assert "secret" not in repr(found.events)


def test_a_disconnect_is_an_orderly_end() -> None:
    found = decoded(talk(will="w").says(DISCONNECT).close().frames)
    assert found.whats() == ["connect", "connack", "disconnect"]


def test_a_refused_connection_is_told_in_the_standards_words() -> None:
    old = Talk().open().says(connect()).hears(connack(5)).close(1)
    new = Talk(port=2).wait(1).open().says(connect(version=5)).hears(connack(0x87, version=5))
    assert decoded(in_time(old, new)).details(Happening.REFUSED) == [
        "from 10.0.0.7:50112: not authorized (5)",
        "from 10.0.0.7:2: not authorized (0x87)",
    ]


def test_repeated_with_dup_is_a_duplicate() -> None:
    again = talk().says(publish("a", qos=1, packet_id=9))
    again.says(publish("a", qos=1, packet_id=9, duplicate=True)).hears(ack(PUBACK, 9))
    found = decoded(again.frames)
    assert [m.duplicate for m in found.messages] == [False, True]
    assert found.decoder.mqtt.sessions.handshakes["QoS 1"].completed == 1


def test_a_hole_is_told_with_its_span() -> None:
    holed = talk().says(publish("a", b"1")).lose(0, publish("a", b"2")).says(publish("a", b"3"))
    holed.hears(PINGRESP).wait(0.2).hears(PINGRESP)
    found = decoded(holed.frames)
    assert [m.payload for m in found.messages] == [b"1", b"3"]
    (hole,) = found.decoder.mqtt.holes
    times = (hole.from_ns - START_NS, hole.until_ns - START_NS)
    assert (hole.client, hole.missing, times) == ("capline-01", 6, (5_000_000, 7_000_000))


def test_a_packet_the_capture_cut_is_not_read_and_those_after_it_are() -> None:
    cut = talk().says(publish("capline/image", b"#" * 500), publish("a", b"1"))
    frames = cut.frames
    frames[5] = Stamped(frames[5].t_ns, frames[5].data[:100], len(frames[5].data))
    found = decoded(frames)
    assert [m.topic for m in found.messages] == ["a"]
    assert found.details(Happening.UNREAD) == [
        "PUBLISH of 515 bytes is not read: 458 of its bytes were not captured"
    ]


def test_malformed_packets_do_not_end_the_reading() -> None:
    bad = talk().says(made(0x60, b"\x12\x34"), publish("a", b"1"))
    found = decoded(bad.frames)
    assert found.details(Happening.MALFORMED) == [
        "[MQTT-2.2.2-2] PUBREL of the client: flags 0000 in place of 0010"
    ]
    assert [m.payload for m in found.messages] == [b"1"]
