"""What a broker does to a connection, byte by byte, and what leaves for it."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.model import MessagesSource
from console.sources.broker import BrokerSource
from tests.console.sources.kept_records import WAIT_S, recording, until, until_state
from tests.console.sources.scripted_broker import (
    CONNACK,
    CONNACK_5,
    CONNECT,
    DISCONNECT,
    PINGREQ,
    PUBLISH,
    SUBSCRIBE,
    Line,
    ScriptedBroker,
    publish,
)

HIGH = 0xF0  # the bits of a packet's first byte that say its type
PUBACK, PUBREC, PUBREL, PUBCOMP = 0x40, 0x50, 0x60, 0x70


def source_of(port: int, patience_s: float = 30.0, **keys: Any) -> BrokerSource:
    told = {"topics": ["capline/#"], "retry": ("100ms", "100ms"), **keys}
    source = MessagesSource(name="broker", host="127.0.0.1", port=port, **told)
    return BrokerSource(source, {"P": "secret"}.get, patience_s=patience_s)


def let_in(line: Line) -> None:
    line.accept()
    line.rest()


def received_from(broker: ScriptedBroker, line: int = 0) -> bytes:
    """All that a client sent, once it is gone."""
    assert broker.lines[line].ended.wait(WAIT_S)
    return broker.lines[line].received


def packet_types(received: bytes) -> list[int]:
    """The types of the packets a client sent."""
    types, at = [], 0
    while at < len(received):
        types.append(received[at] & HIGH)
        length = shift = 0
        at += 1
        while True:
            byte = received[at]
            at += 1
            length |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                break
        at += length
    return types


@pytest.mark.parametrize("qos", [0, 1, 2])
def test_no_publish_ever_leaves(qos: int) -> None:
    def script(line: Line) -> None:
        line.accept(granted=bytes([qos]))
        for packet_id in range(1, 6):
            line.send(publish(b"capline/n", b"x", qos=qos, packet_id=packet_id))
            if qos == 2:
                line.until(PUBREC)
                line.send(bytes([PUBREL | 2, 2, 0, packet_id]))
                line.until(PUBCOMP)
        line.until(PINGREQ)
        pinged.set()
        line.send(b"\xd0\0")
        line.rest()

    pinged = threading.Event()
    with ScriptedBroker(script) as broker:
        with recording(source_of(broker.port, qos=qos, keepalive_s=1)) as kept:
            kept.until_messages(5)
            assert pinged.wait(WAIT_S)
        types = packet_types(received_from(broker))
    assert PUBLISH not in types
    assert (types[0], types[1], types[-1]) == (CONNECT, SUBSCRIBE, DISCONNECT)
    assert set(types[2:-1]) <= {PINGREQ, (0x00, PUBACK, PUBREC)[qos], PUBCOMP}


def test_the_connect_packet_asks_for_what_the_bench_file_says() -> None:
    with ScriptedBroker(let_in) as broker:
        keys: dict[str, Any] = {
            "client_id": "bench",
            "clean": False,
            "username": "op",
            "password_env": "P",
        }
        with recording(source_of(broker.port, keepalive_s=10, **keys)) as kept:
            kept.until_happened("subscribed")
        received = received_from(broker)
    # MQTT 3.1.1 section 3.1: level 4; flags: user name, password, no clean session, no will
    connect = bytes.fromhex("101D00044D51545404C0000A") + b"\0\x05bench\0\x02op\0\x06secret"
    assert received[: len(connect)] == connect


@pytest.mark.parametrize(
    ("keys", "first", "second"),
    [
        # MQTT 5.0 sections 3.1.2.4 and 3.1.2.11.2: bit 1 is clean start, 0x11 the session expiry
        ({}, 0x02, 0x02),
        ({"session_expiry": "60s"}, 0x02, 0x00),
        ({"clean": False, "session_expiry": "60s"}, 0x00, 0x00),
    ],
)
def test_a_session_of_mqtt_5_begins_clean_once(
    keys: dict[str, Any], first: int, second: int
) -> None:
    def once(line: Line) -> None:
        line.accept(connack=CONNACK_5)

    def then(line: Line) -> None:
        line.accept(connack=CONNACK_5)
        line.rest()

    with ScriptedBroker(once, then) as broker:
        told = {"protocol": "5", "client_id": "bench", **keys}
        with recording(source_of(broker.port, **told)) as kept:
            kept.until_happened("subscribed", 2)
        connects = [line.received[:30] for line in broker.lines[:2]]
    expiry_s = 60 if keys else 0
    assert [connect[9] for connect in connects] == [first, second]
    assert [connect[12:18] for connect in connects] == [
        b"\x05\x11" + expiry_s.to_bytes(4, "big")
    ] * 2


# MQTT 3.1.1 table 3.1
@pytest.mark.parametrize(
    ("code", "words"),
    [
        (2, "refuses: client identifier not valid (0x85). Say another client_id"),
        (3, "refuses: server unavailable (0x88). "),
        (4, "refuses: bad user name or password (0x86). Look at username"),
        (5, "refuses: not authorized (0x87). Look at username"),
        (1, "closed without letting us in. Do protocol"),
        (77, "refuses: unspecified error (0x80)"),
    ],
)
def test_a_refusal_is_told_with_its_mend(code: int, words: str) -> None:
    def script(line: Line) -> None:
        line.until(CONNECT)
        line.send(bytes([0x20, 2, 0, code]))
        line.rest()

    assert words in refusal(script)


# MQTT 5.0 section 2.4; 0x1F is the reason string, 0x1C the server reference
@pytest.mark.parametrize(
    ("connack", "words"),
    [
        ("20 03 00 86 00", "refuses: bad user name or password (0x86). Look at username"),
        ("20 09 00 8A 06 1F 00 03 6E6F21", "refuses: banned (0x8A), no!. Ask who runs"),
        ("20 03 00 9C 00", "refuses: use another server (0x9C)"),
        ("20 0A 00 9C 07 1C 00 04 622E6578", "server (0x9C). It names another: b.ex"),
        ("20 02 00 01", 'refuses: unsupported protocol version (0x84). Say protocol = "3.1.1"'),
    ],
)
def test_a_refusal_in_mqtt_5_is_told_with_the_brokers_words(connack: str, words: str) -> None:
    def script(line: Line) -> None:
        line.until(CONNECT)
        line.send(bytes.fromhex(connack))
        line.rest()

    assert words in refusal(script, protocol="5")


def refusal(script: Any, **keys: Any) -> str:
    """How a broker that plays a script is refused; whose password never shows."""
    with ScriptedBroker(script) as broker:
        source = source_of(broker.port, username="op", password_env="P", **keys)
        with recording(source) as kept:
            words = kept.until_happened("refused")[0]
            until_state(source, "waiting")
    assert "\n" not in words
    return words


def test_a_broker_that_repeats_the_password_is_not_quoted_with_it() -> None:
    def script(line: Line) -> None:
        line.until(CONNECT)
        said = b"secret is wrong"
        properties = b"\x1f\0" + bytes([len(said)]) + said
        rest = b"\0\x86" + bytes([len(properties)]) + properties
        line.send(bytes([0x20, len(rest)]) + rest)
        line.rest()

    words = refusal(script, protocol="5")
    assert "*** is wrong" in words
    assert "secret" not in words


def test_a_late_connack_is_waited_for() -> None:
    def script(line: Line) -> None:
        line.until(CONNECT)
        assert may_answer.wait(WAIT_S)
        line.send(CONNACK)
        packet_id = line.until(SUBSCRIBE)[:2]
        line.send(b"\x90\x03" + packet_id + b"\0")
        line.rest()

    may_answer = threading.Event()
    with ScriptedBroker(script) as broker:
        source = source_of(broker.port)
        with recording(source) as kept:
            until(lambda: bool(broker.lines and broker.lines[0].received))
            assert source.state().state == "opening"
            may_answer.set()
            kept.until_happened("subscribed")
    assert kept.words() == ["opened", "subscribed", "closed"]


def test_a_broker_that_never_answers_is_told_and_tried_again() -> None:
    with (
        ScriptedBroker(lambda line: line.rest(), let_in) as broker,
        recording(source_of(broker.port, patience_s=0.5)) as kept,
    ):
        kept.until_happened("subscribed")
        refused = kept.happened("refused")[0]
    assert refused == (
        f"127.0.0.1:{broker.port} connects, but lets nobody in within 500 ms. "
        "Do protocol, and tls or its absence, go with the port?"
    )


def test_a_subscription_that_is_never_answered_is_told_and_tried_again() -> None:
    def silent(line: Line) -> None:
        line.until(CONNECT)
        line.send(CONNACK)
        line.rest()

    with (
        ScriptedBroker(silent, let_in) as broker,
        recording(source_of(broker.port, patience_s=0.5)) as kept,
    ):
        kept.until_happened("subscribed")
    assert kept.happened("closed")[0] == (
        "the broker did not answer the subscription within 500 ms"
    )


def test_a_broker_that_dies_silently_is_noticed_by_its_missing_pings() -> None:
    with (
        ScriptedBroker(let_in) as broker,
        recording(source_of(broker.port, keepalive_s=1)) as kept,
    ):
        closed = kept.until_happened("closed")
        kept.until_happened("subscribed", 2)
    assert closed[0] == "the broker was silent, though asked, for 1 s"


@pytest.mark.parametrize("cut", [1, 9, 14])
def test_packets_cut_anywhere_are_put_together(cut: int) -> None:
    packets = publish(b"capline/n", b"one") + publish(b"capline/n", b"two")

    def script(line: Line) -> None:
        line.accept()
        line.send(packets[:cut])
        # whatever the client answers to, it has read what came before
        line.until(PINGREQ)
        line.send(packets[cut:] + b"\xd0\0")
        line.rest()

    with (
        ScriptedBroker(script) as broker,
        recording(source_of(broker.port, keepalive_s=1)) as kept,
    ):
        messages = kept.until_messages(2)
    assert [message.payload for message in messages] == [b"one", b"two"]


def test_a_connection_cut_within_a_packet_is_told_and_begun_anew() -> None:
    def script(line: Line) -> None:
        line.accept()
        line.send(publish(b"capline/n", b"whole") + publish(b"capline/n", b"cut")[:7])

    def then(line: Line) -> None:
        line.accept()
        line.send(publish(b"capline/n", b"again"))
        line.rest()

    with ScriptedBroker(script, then) as broker, recording(source_of(broker.port)) as kept:
        messages = kept.until_messages(2)
    assert [message.payload for message in messages] == [b"whole", b"again"]
    assert kept.words()[:7] == [
        "opened", "subscribed", "message", "closed", "retry", "opened", "subscribed",
    ]  # fmt: skip


# MQTT 5.0 section 3.14.2.1
@pytest.mark.parametrize(
    ("disconnect", "words"),
    [
        ("E0 02 8E 00", "session taken over (0x8E). Another program came with the same client_id"),
        ("E0 02 8B 00", "the broker ended it: server shutting down (0x8B)"),
        ("E0 02 8D 00", "the broker ended it: keep alive timeout (0x8D)"),
    ],
)
def test_a_disconnect_of_mqtt_5_is_told_in_words(disconnect: str, words: str) -> None:
    def script(line: Line) -> None:
        line.accept(connack=CONNACK_5)
        line.send(bytes.fromhex(disconnect))
        line.rest()

    with ScriptedBroker(script) as broker, recording(source_of(broker.port, protocol="5")) as kept:
        assert words in kept.until_happened("closed")[0]


def test_less_than_was_asked_for_is_told() -> None:
    with ScriptedBroker(let_in) as broker, recording(source_of(broker.port, qos=2)) as kept:
        granted = kept.until_happened("subscribed")
    assert granted == ["capline/#: QoS 0 (2 was asked for)"]


def test_a_session_taken_up_is_not_subscribed_again() -> None:
    def once(line: Line) -> None:
        line.accept(granted=b"\1")

    def then(line: Line) -> None:
        line.until(CONNECT)
        line.send(bytes.fromhex("20020100"))
        line.send(publish(b"capline/n", b"kept", qos=1))
        line.rest()

    with ScriptedBroker(once, then) as broker:
        keys: dict[str, Any] = {"qos": 1, "clean": False, "client_id": "bench"}
        with recording(source_of(broker.port, **keys)) as kept:
            kept.until_messages(1)
        second = packet_types(received_from(broker, 1))
    assert second == [CONNECT, PUBACK, DISCONNECT]


def test_flags_of_a_message_are_kept() -> None:
    def script(line: Line) -> None:
        line.accept(granted=b"\1")
        line.send(publish(b"capline/n", b"x", qos=1, flags=8))
        line.send(publish(b"capline/n", b"x", qos=1, flags=1))
        line.rest()

    with ScriptedBroker(script) as broker, recording(source_of(broker.port, qos=1)) as kept:
        messages = kept.until_messages(2)
    assert [(m.duplicate, m.retain) for m in messages] == [(True, False), (False, True)]


def test_a_release_of_a_message_that_never_came_is_a_loss() -> None:
    def script(line: Line) -> None:
        line.accept(granted=b"\2")
        line.send(bytes([PUBREL | 2, 2, 0, 7]))
        line.rest()

    with ScriptedBroker(script) as broker:
        source = source_of(broker.port, qos=2)
        with recording(source) as kept:
            lost = kept.until_happened("lost")
        assert source.state().lost == 1
    assert lost == [
        "the broker ended the hand-over of a QoS 2 message (packet id 7) "
        "that had come before this recording began"
    ]


def test_a_release_that_is_sent_again_is_no_loss() -> None:
    def script(line: Line) -> None:
        line.accept(granted=b"\2")
        line.send(publish(b"capline/n", b"x", qos=2, packet_id=7))
        line.until(PUBREC)
        line.send(bytes([PUBREL | 2, 2, 0, 7]) * 2 + publish(b"capline/n", b"y"))
        line.rest()

    with ScriptedBroker(script) as broker:
        source = source_of(broker.port, qos=2)
        with recording(source) as kept:
            kept.until_messages(2)
        assert source.state().lost == 0
    assert kept.happened("lost") == []


def test_a_message_half_handed_over_when_its_session_ended_is_a_loss() -> None:
    def script(line: Line) -> None:
        line.accept(granted=b"\2")
        line.send(publish(b"capline/n", b"x", qos=2, packet_id=7))
        line.until(PUBREC)

    with ScriptedBroker(script, let_in) as broker:
        source = source_of(broker.port, qos=2)
        with recording(source) as kept:
            lost = kept.until_happened("lost")
        assert source.state().lost == 1
    assert lost == ["QoS 2 messages half handed over when the last session ended: 1"]


@pytest.mark.parametrize(
    ("topic", "shown"),
    [
        (b"capline/\xff\xfe", "capline/\\xff\\xfe"),
        (b"\xed\xa0\x80", "\\xed\\xa0\\x80"),  # a surrogate, which UTF-8 does not have
        (b"\x00", "\x00"),
        (b"\x1b[2J\r\n", "\x1b[2J\r\n"),
        ("über/\U0001f37a".encode(), "über/\U0001f37a"),
        (b"#/+", "#/+"),
        (b"t" * 65535, "t" * 65535),
    ],
)
def test_odd_topics_are_messages_like_others(topic: bytes, shown: str) -> None:
    def script(line: Line) -> None:
        line.accept()
        line.send(publish(topic, b"x"))
        line.send(publish(b"capline/n", b"after"))
        line.rest()

    with ScriptedBroker(script) as broker, recording(source_of(broker.port)) as kept:
        messages = kept.until_messages(2)
    assert [message.topic for message in messages] == [shown, "capline/n"]
    assert shown.encode()  # no surrogate is left in it


def test_a_topic_that_is_no_utf_8_is_noted_once() -> None:
    def script(line: Line) -> None:
        line.accept()
        line.send(publish(b"a\xff", b"x") * 3)
        line.rest()

    with ScriptedBroker(script) as broker, recording(source_of(broker.port)) as kept:
        kept.until_messages(3)
    assert kept.happened("note") == ["a topic is not UTF-8: a\\xff"]


def test_a_payload_of_many_megabytes_comes_whole() -> None:
    payload = bytes(range(256)) * (64 << 10)  # 16 MiB

    def script(line: Line) -> None:
        line.accept()
        line.send(publish(b"capline/picture", payload))
        line.rest()

    with ScriptedBroker(script) as broker, recording(source_of(broker.port)) as kept:
        messages = kept.until_messages(1)
    assert messages[0].payload == payload


@pytest.mark.parametrize(
    "junk",
    [
        b"\xff\xff\xff\xff\xff\xff",  # a length of five bytes
        b"\x30\x00",  # a PUBLISH without a topic
        b"\x30\x02\x00\x00",  # an empty topic
        b"\x36\x05\x00\x01a\x00\x01",  # QoS 3
        b"\x00\x00",  # no packet type
        b"\x20\x00",
        b"\x90\x00",
        b"\x62\x00",
    ],
)
def test_what_is_no_mqtt_ends_the_connection_and_not_the_recording(junk: bytes) -> None:
    def script(line: Line) -> None:
        line.accept()
        line.send(junk)
        line.rest()

    with ScriptedBroker(script, let_in) as broker, recording(source_of(broker.port)) as kept:
        closed = kept.until_happened("closed")
        kept.until_happened("subscribed", 2)
    assert closed[0].startswith(("what came is no MQTT 3.1.1", "the broker closed it"))


def test_what_answers_but_is_no_broker_is_told() -> None:
    def script(line: Line) -> None:
        line.send(b"HTTP/1.1 400 Bad Request\r\n\r\n")
        line.rest()

    assert "connects, but lets nobody in within 500 ms" in refusal(script, patience_s=0.5)


STREAMS = st.lists(
    st.one_of(
        st.builds(
            publish, st.binary(max_size=20), st.binary(max_size=40), qos=st.integers(0, 2),
            flags=st.sampled_from([0, 1, 8, 9]),
        ),
        st.binary(min_size=1, max_size=8),
        st.sampled_from([CONNACK, b"\x90\x03\0\1\0", b"\xd0\0", b"\x62\2\0\1", b"\xe0\0"]),
    ),
    min_size=1,
    max_size=6,
).map(b"".join)  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(stream=STREAMS, protocol=st.sampled_from(["3.1.1", "5"]))
def test_whatever_a_broker_sends_the_recording_goes_on(stream: bytes, protocol: str) -> None:
    connack = CONNACK_5 if protocol == "5" else CONNACK

    def script(line: Line) -> None:
        line.accept(connack=connack)
        line.send(stream)

    def then(line: Line) -> None:
        line.accept(connack=connack)
        line.rest()

    with ScriptedBroker(script, then) as broker:
        source = source_of(broker.port, protocol=protocol)
        with recording(source) as kept:
            kept.until_happened("subscribed", 2)
            assert source.state().state == "open"
        assert len(broker.lines) >= 2


def test_an_answer_to_nothing_is_passed_over() -> None:
    def script(line: Line) -> None:
        line.accept()
        line.send(bytes.fromhex("9003000900") + CONNACK + publish(b"capline/n", b"x"))
        line.rest()

    with ScriptedBroker(script) as broker, recording(source_of(broker.port)) as kept:
        kept.until_messages(1)
    assert kept.words() == ["opened", "subscribed", "message", "closed"]


def test_stop_returns_though_the_broker_does_not_answer() -> None:
    with ScriptedBroker(lambda line: line.rest()) as broker:
        source = source_of(broker.port, required=True)
        with recording(source) as kept:
            until(lambda: bool(broker.lines and broker.lines[0].received))
        assert source.state().state == "closed"
    assert kept.records == []
