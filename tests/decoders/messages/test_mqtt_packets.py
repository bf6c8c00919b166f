from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.messages.mqtt_bytes import MalformedError, varint_at
from decoders.messages.mqtt_connect import Connack, Connect, Will
from decoders.messages.mqtt_packets import (
    Ack,
    Disconnect,
    Packet,
    Plain,
    Publish,
    Subscribe,
    packet,
)
from decoders.messages.mqtt_words import (
    AUTH,
    PINGREQ,
    PINGRESP,
    PUBACK,
    PUBCOMP,
    PUBREC,
    PUBREL,
    SUBACK,
    SUBSCRIBE,
    UNSUBACK,
    UNSUBSCRIBE,
)

INDEPENDENT = Path(__file__).parents[2] / "data" / "mqtt_independent" / "packets.json"
CAPLINE = "63 61 70 6C 69 6E 65"


def decoded(text: str | bytes, version: int = 4, *, from_client: bool = True) -> Packet:
    raw = bytes.fromhex(text) if isinstance(text, str) else text
    length = varint_at(raw, 1)
    assert length is not None
    assert length.end + length.value == len(raw)
    return packet(raw[0], raw[length.end :], version, from_client=from_client)


# Packets captured from paho-mqtt (client) and made by mqtt-packet (broker), each parsed by the
# other; the header of the second CONNECT is figure 3.6 of MQTT 3.1.1, of the PUBLISH figure 3.11.
OLD = [
    (
        f"10 16 00 04 4D 51 54 54 04 02 00 3C 00 0A {CAPLINE} 2D 30 31",
        Connect(4, "capline-01", 60, True, False, None, False, False),
    ),
    (
        f"10 3B 00 04 4D 51 54 54 04 EE 00 0A 00 0A {CAPLINE} 2D 30 31 00 0E {CAPLINE} 2F 73 74 61"
        "74 75 73 00 07 6F 66 66 6C 69 6E 65 00 02 6F 70 00 06 73 65 63 72 65 74",
        Connect(4, "capline-01", 10, True, False, Will("capline/status", 1, True), True, True),
    ),
    ("20 02 00 00", Connack(0, False)),
    ("20 02 01 00", Connack(0, True)),
    ("20 02 00 05", Connack(5, False)),
    (
        f"30 1B 00 12 {CAPLINE} 2F 63 61 6D 2F 62 6C 6F 63 6B 73 7B 22 6E 22 3A 32 7D",
        Publish("capline/cam/blocks", b'{"n":2}', 0, False, False),
    ),
    ("32 09 00 03 61 2F 62 00 0A 68 69", Publish("a/b", b"hi", 1, False, False, 10)),
    ("3A 09 00 03 61 2F 62 00 0A 68 69", Publish("a/b", b"hi", 1, False, True, 10)),
    (
        f"35 1C 00 14 {CAPLINE} 2F 68 6F 70 70 65 72 2F 6C 65 76 65 6C 12 34 34 31 2E 37",
        Publish("capline/hopper/level", b"41.7", 2, True, False, 0x1234),
    ),
    (
        f"31 10 00 0E {CAPLINE} 2F 73 74 61 74 75 73",
        Publish("capline/status", b"", 0, True, False),
    ),
    ("30 C1 02 00 03 61 2F 62" + "5A" * 316, Publish("a/b", b"Z" * 316, 0, False, False)),
    ("40 02 12 34", Ack(PUBACK, 0x1234)),
    ("50 02 12 34", Ack(PUBREC, 0x1234)),
    ("62 02 12 34", Ack(PUBREL, 0x1234)),
    ("70 02 12 34", Ack(PUBCOMP, 0x1234)),
    (
        "82 0E 00 01 00 03 61 2F 62 01 00 03 63 2F 64 02",
        Subscribe(SUBSCRIBE, 1, (("a/b", 1), ("c/d", 2))),
    ),
    ("90 05 00 01 00 02 80", Ack(SUBACK, 1, codes=b"\x00\x02\x80")),
    (
        "A2 0C 00 01 00 03 61 2F 62 00 03 63 2F 64",
        Subscribe(UNSUBSCRIBE, 1, (("a/b", 0), ("c/d", 0))),
    ),
    ("B0 02 00 02", Ack(UNSUBACK, 2)),
    ("C0 00", Plain(PINGREQ)),
    ("D0 00", Plain(PINGRESP)),
    ("E0 00", Disconnect()),
]
RECENT = [
    (
        f"10 1F 00 04 4D 51 54 54 05 02 00 3C 08 11 00 00 0E 10 21 00 14 00 0A {CAPLINE} 2D 30 31",
        Connect(5, "capline-01", 60, True, True, None, False, False),
    ),
    ("20 09 01 00 06 21 00 0A 13 00 1E", Connack(0, True, 30)),
    ("30 08 00 03 61 2F 62 00 68 69", Publish("a/b", b"hi", 0, False, False)),
    (
        "32 35 00 03 61 2F 62 00 0A 22 02 00 00 00 1E 03 00 10 61 70 70 6C 69 63 61 74 69 6F 6E 2F"
        "6A 73 6F 6E 26 00 04 6C 69 6E 65 00 01 33 7B 22 6F 6B 22 3A 74 72 75 65 7D",
        Publish("a/b", b'{"ok":true}', 1, False, False, 10),
    ),
    ("40 02 00 0A", Ack(PUBACK, 10)),
    ("40 04 00 0A 10 00", Ack(PUBACK, 10, 0x10)),
    ("50 0C 00 0A 97 08 1F 00 05 71 75 6F 74 61", Ack(PUBREC, 10, 0x97)),
    (
        f"82 0F 00 01 00 00 09 {CAPLINE} 2F 23 2D",
        Subscribe(SUBSCRIBE, 1, (("capline/#", 0x2D),)),
    ),
    ("90 05 00 01 00 01 87", Ack(SUBACK, 1, codes=b"\x01\x87")),
    ("20 03 00 87 00", Connack(0x87, False)),
    ("E0 00", Disconnect()),
    ("E0 02 00 00", Disconnect()),
    ("E0 01 04", Disconnect(0x04)),
    ("E0 02 04 00", Disconnect(0x04)),
    ("E0 02 8D 00", Disconnect(0x8D)),
    ("E0 02 8E 00", Disconnect(0x8E)),
]
OF_BROKER = {0x20, 0x90, 0xB0, 0xD0}


@pytest.mark.parametrize(
    ("version", "text", "expected"),
    [(4, *case) for case in OLD] + [(5, *case) for case in RECENT],
)
def test_complete_packets_say_what_their_makers_say(
    version: int, text: str, expected: Packet
) -> None:
    raw = bytes.fromhex(text)
    from_client = raw[0] not in OF_BROKER and raw[2:3] not in (b"\x8d", b"\x8e")
    assert decoded(raw, version, from_client=from_client) == expected


# What breaks which statement: the numbers are those of the standards' conformance appendices.
MALFORMED = [
    (4, True, "60 02 12 34", "MQTT-2.2.2-2"),
    (4, True, "80 0E 00 01 00 03 61 2F 62 01 00 03 63 2F 64 02", "MQTT-2.2.2-2"),
    (4, True, "C1 00", "MQTT-2.2.2-2"),
    (5, True, "60 02 12 34", "MQTT-2.1.3-1"),
    (4, True, "36 09 00 03 61 2F 62 00 0A 68 69", "MQTT-3.3.1-4"),
    (4, True, "38 07 00 03 61 2F 62 68 69", "MQTT-3.3.1-2"),
    (4, True, "32 09 00 03 61 2F 62 00 00 68 69", "MQTT-2.3.1-1"),
    (5, True, "32 0A 00 03 61 2F 62 00 00 00 68 69", "MQTT-2.2.1-3"),
    (4, True, "82 08 00 00 00 03 61 2F 62 01", "MQTT-2.3.1-1"),
    (4, True, "30 07 00 03 61 2F 23 68 69", "MQTT-3.3.2-2"),
    (4, True, "30 07 00 03 2B 2F 62 68 69", "MQTT-3.3.2-2"),
    (4, True, "30 04 00 00 68 69", "MQTT-4.7.3-1"),
    (4, True, "30 07 00 03 61 C3 28 68 69", "MQTT-1.5.3-1"),
    (4, True, "30 07 00 03 61 00 62 68 69", "MQTT-1.5.3-2"),
    (5, True, "30 08 00 03 61 C3 28 00 68 69", "MQTT-1.5.4-1"),
    (5, True, "30 08 00 03 61 00 62 00 68 69", "MQTT-1.5.4-2"),
    (4, True, "30 04 00 09 61 62", "MQTT 3.1.1 section 2.2.3"),
    (4, True, "40 03 12 34 00", "MQTT 3.1.1 section 2.2.3"),
    (4, True, "40 01 12", "MQTT 3.1.1 section 2.2.3"),
    (5, True, "30 0B 00 03 61 2F 62 03 23 00 00 68 69", "MQTT-3.3.2-8"),
    (5, True, "30 06 00 03 61 2F 62 05", "MQTT 5.0 section 2.2.2.1"),
    (5, True, "30 08 00 03 61 2F 62 02 7F 00", "MQTT 5.0 section 2.2.2.2"),
    (5, True, "30 0A 00 03 61 2F 62 04 01 00 01 00", "MQTT 5.0 section 2.2.2.2"),
    (5, True, "30 0B 00 03 61 2F 62 05 11 00 00 00 01", "MQTT 5.0 section 2.2.2.2"),
    (4, True, "82 02 00 01", "MQTT-3.8.3-3"),
    (5, True, "82 03 00 01 00", "MQTT-3.8.3-2"),
    (4, True, "A2 02 00 01", "MQTT-3.10.3-2"),
    (4, True, "82 08 00 01 00 03 61 2F 62 05", "MQTT-3.8.3-4"),
    (5, True, "82 09 00 01 00 00 03 61 2F 62 C0", "MQTT-3.8.3-5"),
    (4, False, "90 03 00 01 03", "MQTT-3.9.3-2"),
    (4, False, "20 02 01 05", "MQTT-3.2.2-4"),
    (5, False, "20 03 01 87 00", "MQTT-3.2.2-6"),
    (4, False, "20 02 02 00", "MQTT 3.1.1 section 3.2.2.1"),
    (4, True, "00 00", "MQTT 3.1.1 section 2.2.1"),
    (4, True, "F0 00", "MQTT 3.1.1 section 2.2.1"),
    (4, True, "20 02 00 00", "MQTT 3.1.1 section 2.2.1"),
    (4, False, "E0 00", "MQTT 3.1.1 section 2.2.1"),
    (5, False, "C0 00", "MQTT 5.0 section 2.1.2"),
    (4, True, "10 0C 00 04 4D 51 54 58 04 02 00 3C 00 00", "MQTT-3.1.2-1"),
    (4, True, "10 0C 00 04 4D 51 54 54 09 02 00 3C 00 00", "MQTT-3.1.2-2"),
    (4, True, "10 0C 00 04 4D 51 54 54 04 03 00 3C 00 00", "MQTT-3.1.2-3"),
    (4, True, "10 0C 00 04 4D 51 54 54 04 0A 00 3C 00 00", "MQTT-3.1.2-13"),
    (4, True, "10 0C 00 04 4D 51 54 54 04 1E 00 3C 00 00", "MQTT-3.1.2-14"),
    (4, True, "10 0C 00 04 4D 51 54 54 04 22 00 3C 00 00", "MQTT-3.1.2-15"),
    (4, True, "10 0C 00 04 4D 51 54 54 04 42 00 3C 00 00", "MQTT-3.1.2-22"),
    (4, True, "10 0C 00 04 4D 51 54 54 04 00 00 3C 00 00", "MQTT-3.1.3-8"),
    (4, True, "10 0D 00 04 4D 51 54 54 05 0A 00 3C 00 00 00", "MQTT-3.1.2-11"),
    (4, True, "10 0D 00 04 4D 51 54 54 05 1E 00 3C 00 00 00", "MQTT-3.1.2-12"),
    (4, True, "10 0D 00 04 4D 51 54 54 05 22 00 3C 00 00 00", "MQTT-3.1.2-13"),
]


@pytest.mark.parametrize(("version", "from_client", "text", "clause"), MALFORMED)
def test_a_malformed_packet_is_named_by_the_statement_it_breaks(
    version: int, from_client: bool, text: str, clause: str
) -> None:
    with pytest.raises(MalformedError) as caught:
        decoded(text, version, from_client=from_client)
    assert caught.value.clause == clause


def test_mqtt_3_1_may_repeat_what_later_versions_may_not() -> None:
    assert decoded("6A 02 12 34", 3) == Ack(PUBREL, 0x1234)
    with pytest.raises(MalformedError):
        decoded("6A 02 12 34", 4)


INDEPENDENT_ROWS: list[dict[str, Any]] = json.loads(INDEPENDENT.read_text("utf-8"))
CLIENT_SENDS = {"connect", "subscribe", "unsubscribe", "pingreq", "disconnect"}
ACKS = {"puback": PUBACK, "pubrec": PUBREC, "pubrel": PUBREL, "pubcomp": PUBCOMP}


def said(version: int, told: dict[str, Any]) -> Packet:
    """What an independent encoder was told, as it should come out again."""
    kind, found = told["cmd"], told.get("properties", {})
    if kind == "publish":
        flags = told["qos"], told["retain"], told["dup"]
        numbers = told.get("messageId", 0), found.get("topicAlias", 0)
        return Publish(told["topic"], told["payload"].encode("latin-1"), *flags, *numbers)
    if kind in ACKS:
        return Ack(ACKS[kind], told["messageId"], told.get("reasonCode", 0))
    if kind in ("suback", "unsuback"):
        code = SUBACK if kind == "suback" else UNSUBACK
        return Ack(code, told["messageId"], codes=bytes(told.get("granted", [])))
    if kind in ("subscribe", "unsubscribe"):
        if kind == "unsubscribe":
            filters = tuple((name, 0) for name in told["unsubscriptions"])
            return Subscribe(UNSUBSCRIBE, told["messageId"], filters)
        return Subscribe(
            SUBSCRIBE,
            told["messageId"],
            tuple((each["topic"], options(each)) for each in told["subscriptions"]),
        )
    if kind == "connack":
        answer = int(told.get("returnCode", told.get("reasonCode", 0)))
        given = found.get("serverKeepAlive"), found.get("assignedClientIdentifier", "")
        return Connack(answer, told["sessionPresent"], *given)
    if kind == "connect":
        return connected(version, told, found)
    if kind == "disconnect":
        text = {0x1F: found["reasonString"]} if found else {}
        return Disconnect(told.get("reasonCode", 0), text)
    return Plain({"pingreq": PINGREQ, "pingresp": PINGRESP, "auth": AUTH}[kind])


def options(each: dict[str, Any]) -> int:
    bits = (("qos", 0), ("nl", 2), ("rap", 3), ("rh", 4))
    return sum(int(each.get(name, 0)) << place for name, place in bits)


def connected(version: int, told: dict[str, Any], found: dict[str, Any]) -> Connect:
    will = told.get("will")
    keeps = found.get("sessionExpiryInterval", 0) > 0 if version == 5 else not told["clean"]
    return Connect(
        version,
        told["clientId"],
        told["keepalive"],
        told["clean"],
        keeps,
        will and Will(will["topic"], will["qos"], will["retain"]),
        "username" in told,
        "password" in told,
    )


@pytest.mark.parametrize("row", INDEPENDENT_ROWS, ids=[row["hex"][:24] for row in INDEPENDENT_ROWS])
def test_packets_of_an_independent_encoder_come_out_as_they_went_in(row: dict[str, Any]) -> None:
    version, told = row["version"], row["packet"]
    if told["cmd"] == "disconnect":
        from_client = told.get("reasonCode", 0) < 0x80
    else:
        from_client = told["cmd"] not in ("connack", "suback", "unsuback", "pingresp")
    found = decoded(row["hex"], version, from_client=from_client)
    assert found == said(version, told)
    assert "hunter" not in repr(found)


@settings(deadline=None)
@given(body=st.binary(max_size=60), first=st.integers(0, 255), version=st.sampled_from([3, 4, 5]))
def test_any_bytes_are_a_packet_or_malformed(body: bytes, first: int, version: int) -> None:
    try:
        found: object = packet(first, body, version, from_client=True)
    except MalformedError as error:
        found = error
    assert isinstance(found, Packet | MalformedError)
