"""MQTT packets made by hand, and what the decoder finds in captures of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from decoders.captures.pcap import PcapReader
from decoders.messages.columns import DIRECTIONS
from decoders.messages.mqtt_capture import NetworkDecoder
from decoders.messages.mqtt_happenings import ConnectionEvent, Happening
from decoders.messages.mqtt_traffic import MqttRows
from tests.decoders.captures.network_files import Stamped, pcap, pieces


def made(first: int, body: bytes) -> bytes:
    """A control packet with its Remaining Length."""
    length, left = b"", len(body)
    while True:
        left, low = left >> 7, left & 0x7F
        length += bytes([low | 0x80 if left else low])
        if not left:
            return bytes([first]) + length + body


def text(value: str | bytes) -> bytes:
    raw = value.encode() if isinstance(value, str) else value
    return len(raw).to_bytes(2, "big") + raw


def connect(
    client: str = "capline-01",
    *,
    keep_alive: int = 60,
    clean: bool = True,
    version: int = 4,
    will: str = "",
    expiry: int = 0,
) -> bytes:
    flags = clean << 1 | (0x0C if will else 0)
    body = text("MQTT") + bytes([version, flags]) + keep_alive.to_bytes(2, "big")
    if version == 5:
        body += b"\x05\x11" + expiry.to_bytes(4, "big")
    body += text(client)
    if will:
        body += (b"\0" if version == 5 else b"") + text(will) + text("offline")
    return made(0x10, body)


def connack(code: int = 0, *, present: bool = False, version: int = 4, more: bytes = b"") -> bytes:
    properties = bytes([len(more)]) + more if version == 5 else b""
    return made(0x20, bytes([present, code]) + properties)


def publish(
    topic: str,
    payload: bytes = b"1",
    *,
    qos: int = 0,
    packet_id: int = 0,
    duplicate: bool = False,
    retain: bool = False,
    properties: bytes | None = None,
) -> bytes:
    """A PUBLISH; `properties` None for versions before 5."""
    body = text(topic) + (packet_id.to_bytes(2, "big") if qos else b"")
    if properties is not None:
        body += bytes([len(properties)]) + properties
    return made(0x30 | duplicate << 3 | qos << 1 | retain, body + payload)


def ack(first: int, packet_id: int, reason: int | None = None) -> bytes:
    return made(first, packet_id.to_bytes(2, "big") + (b"" if reason is None else bytes([reason])))


PUBACK, PUBREC, PUBREL, PUBCOMP, SUBACK = 0x40, 0x50, 0x62, 0x70, 0x90
PINGREQ, PINGRESP, DISCONNECT = b"\xc0\0", b"\xd0\0", b"\xe0\0"


def subscribe(packet_id: int = 1, topic: str = "capline/#", qos: int = 1) -> bytes:
    return made(0x82, packet_id.to_bytes(2, "big") + text(topic) + bytes([qos]))


class Message(NamedTuple):
    frame: int
    t_ns: int
    client: str
    direction: str
    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False
    duplicate: bool = False


@dataclass
class Found:
    """What a capture held."""

    decoder: NetworkDecoder
    messages: list[Message]
    events: list[ConnectionEvent]

    def details(self, what: Happening) -> list[str]:
        return [event.detail for event in self.events if event.what is what]

    def whats(self) -> list[str]:
        return [str(event.what) for event in self.events]


def decoded(frames: Iterable[Stamped], cuts: Sequence[int] = ()) -> Found:
    """What the decoder finds in some frames, however the file is cut."""
    decoder = NetworkDecoder(PcapReader("made.pcap"))
    rows = [decoder.feed(chunk) for chunk in pieces(pcap(frames), cuts)]
    rows += decoder.finish()
    messages = [message for row in rows for message in _messages(row)]
    return Found(decoder, messages, [event for row in rows for event in row.events])


def _messages(row: MqttRows) -> Iterable[Message]:
    table = row.messages
    texts = table.client_texts(), table.topic_texts(), table.payloads()
    directions = [DIRECTIONS[code] for code in table.direction.tolist()]
    flags = table.qos.tolist(), table.retain.tolist(), table.duplicate.tolist()
    columns = table.line.tolist(), table.t_ns.tolist(), texts[0], directions, *texts[1:], *flags
    for values in zip(*columns, strict=True):
        yield Message(*values)
