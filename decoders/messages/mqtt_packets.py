"""MQTT control packets: bytes to what they say, checked (MQTT 3.1, 3.1.1 and 5.0).

A packet that breaks its standard is told by the statement it breaks. Passwords and authentication
data are passed over: no packet holds them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from decoders.messages.mqtt_bytes import MalformedError, Reader
from decoders.messages.mqtt_connect import Connack, Connect, connack, connect
from decoders.messages.mqtt_properties import ALIAS, Properties, number, properties
from decoders.messages.mqtt_words import (
    AUTH,
    CONNACK,
    CONNECT,
    DISCONNECT,
    FAILURE,
    NAMES,
    PINGREQ,
    PINGRESP,
    PUBACK,
    PUBCOMP,
    PUBLISH,
    PUBREC,
    PUBREL,
    SUBACK,
    SUBSCRIBE,
    UNSUBACK,
    UNSUBSCRIBE,
)

# MQTT 3.1.1 table 2.1, 5.0 table 2-1: who may send what.
_OF_CLIENT = {CONNECT, PUBLISH, PUBACK, PUBREC, PUBREL, PUBCOMP, SUBSCRIBE, UNSUBSCRIBE, PINGREQ,
              DISCONNECT}  # fmt: skip
_OF_BROKER = {CONNACK, PUBLISH, PUBACK, PUBREC, PUBREL, PUBCOMP, SUBACK, UNSUBACK, PINGRESP}
_TWO = {PUBREL, SUBSCRIBE, UNSUBSCRIBE}  # whose flags are 0010
_DUP_OF_31 = 0b1000  # MQTT 3.1 allows DUP in them
_GRANTED = {0, 1, 2, 0x80}  # SUBACK of MQTT 3.1.1


@dataclass(frozen=True, slots=True)
class Publish:
    """A PUBLISH."""

    topic: str  # "" where a topic alias stands for it
    payload: bytes
    qos: int
    retain: bool
    duplicate: bool
    packet_id: int = 0  # 0: none, of QoS 0
    alias: int = 0  # 0: none


@dataclass(frozen=True, slots=True)
class Ack:
    """A PUBACK, PUBREC, PUBREL, PUBCOMP, SUBACK or UNSUBACK."""

    type: int
    packet_id: int
    reason: int = 0
    codes: bytes = b""  # of SUBACK and UNSUBACK, one for each filter

    @property
    def is_failure(self) -> bool:
        """Whether it ends what it answers (MQTT 5.0 section 4.3.3)."""
        return self.reason >= FAILURE


@dataclass(frozen=True, slots=True)
class Subscribe:
    """A SUBSCRIBE or UNSUBSCRIBE."""

    type: int
    packet_id: int
    filters: tuple[tuple[str, int], ...]  # with their options byte; 0 of UNSUBSCRIBE


@dataclass(frozen=True, slots=True)
class Disconnect:
    """A DISCONNECT."""

    reason: int = 0
    properties: Properties = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Plain:
    """A PINGREQ, PINGRESP or AUTH."""

    type: int


Packet = Connect | Connack | Publish | Ack | Subscribe | Disconnect | Plain


def flags_problem(first: int, version: int) -> str:
    """What is wrong with the flags of a first byte; "" when nothing is."""
    kind, flags = first >> 4, first & 0x0F
    if kind == PUBLISH:
        return ""
    wanted = 0b0010 if kind in _TWO else 0
    if version == 3 and kind in _TWO:
        flags &= ~_DUP_OF_31
    return "" if flags == wanted else f"flags {flags:04b} in place of {wanted:04b}"


def packet(first: int, body: bytes, version: int, *, from_client: bool) -> Packet:
    """What a control packet says.

    Args:
        first: its first byte.
        body: what follows its Remaining Length.
        version: protocol level of the connection, 3 to 5.
        from_client: who sent it.

    Raises:
        MalformedError: the statement it breaks.
    """
    kind = first >> 4
    _check_sender(kind, version, from_client=from_client)
    problem = flags_problem(first, version)
    if problem:
        raise MalformedError("MQTT-2.1.3-1" if version >= 5 else "MQTT-2.2.2-2", problem)
    reader = Reader(body, version)
    if kind == CONNECT:
        return connect(reader)
    if kind == CONNACK:
        return connack(reader)
    if kind == PUBLISH:
        return _publish(first & 0x0F, reader)
    if kind in (SUBSCRIBE, UNSUBSCRIBE):
        return _subscribe(kind, reader)
    if kind in (SUBACK, UNSUBACK):
        return _suback(kind, reader)
    if kind in (PINGREQ, PINGRESP):
        reader.done()
        return Plain(kind)
    if kind == DISCONNECT:
        return _disconnect(reader)
    if kind == AUTH:
        return _auth(reader)
    return _ack(kind, reader)


def _check_sender(kind: int, version: int, *, from_client: bool) -> None:
    allowed = _OF_CLIENT if from_client else _OF_BROKER
    if kind in allowed or (version >= 5 and kind in (DISCONNECT, AUTH)):
        return
    section = "MQTT 5.0 section 2.1.2" if version >= 5 else "MQTT 3.1.1 section 2.2.1"
    if kind in (0, 15):
        raise MalformedError(section, f"packet type {kind} is reserved")
    raise MalformedError(section, f"the {'client' if from_client else 'broker'} may not send it")


def _publish(flags: int, reader: Reader) -> Publish:
    """MQTT 3.1.1 and 5.0 section 3.3."""
    qos = flags >> 1 & 3
    if qos == 3:
        raise MalformedError("MQTT-3.3.1-4", "both QoS bits are set")
    duplicate = bool(flags & 8)
    if duplicate and not qos:
        raise MalformedError("MQTT-3.3.1-2", "DUP is set with QoS 0")
    topic = reader.text()
    if "+" in topic or "#" in topic:
        raise MalformedError("MQTT-3.3.2-2", "a wildcard in its topic name")
    packet_id = _packet_id(reader) if qos else 0
    found = properties(reader, PUBLISH) if reader.version >= 5 else {}
    alias = number(found, ALIAS, 0)
    if ALIAS in found and not alias:
        raise MalformedError("MQTT-3.3.2-8", "topic alias 0")
    if not topic and not alias:
        raise MalformedError("MQTT-4.7.3-1", "a topic name without a character")
    payload = reader.take(reader.left)
    return Publish(topic, payload, qos, bool(flags & 1), duplicate, packet_id, alias)


def _packet_id(reader: Reader) -> int:
    found = reader.u16()
    if not found:
        clause = "MQTT-2.2.1-3" if reader.version >= 5 else "MQTT-2.3.1-1"
        raise MalformedError(clause, "packet identifier 0")
    return found


def _ack(kind: int, reader: Reader) -> Ack:
    packet_id, code = _packet_id(reader), 0
    if reader.version >= 5 and reader.left:  # success may leave out code and properties
        code = reader.byte()
        if reader.left:
            properties(reader, kind)
    reader.done()
    return Ack(kind, packet_id, code)


def _subscribe(kind: int, reader: Reader) -> Subscribe:
    """MQTT 3.1.1 and 5.0 sections 3.8 and 3.10."""
    packet_id = _packet_id(reader)
    is_5 = reader.version >= 5
    if is_5:
        properties(reader, kind)
    filters: list[tuple[str, int]] = []
    while reader.left:
        text = reader.text()
        if not text:
            raise MalformedError("MQTT-4.7.3-1", "a topic filter without a character")
        filters.append((text, _options(reader) if kind == SUBSCRIBE else 0))
    if not filters:
        clause = {SUBSCRIBE: "MQTT-3.8.3-2" if is_5 else "MQTT-3.8.3-3"}.get(kind, "MQTT-3.10.3-2")
        raise MalformedError(clause, "it names no topic filter")
    return Subscribe(kind, packet_id, tuple(filters))


def _options(reader: Reader) -> int:
    options = reader.byte()
    reserved = 0xC0 if reader.version >= 5 else 0xFC
    if options & reserved or options & 3 == 3 or options & 0x30 == 0x30:
        clause = "MQTT-3.8.3-5" if reader.version >= 5 else "MQTT-3.8.3-4"
        raise MalformedError(clause, f"subscription options 0x{options:02X}")
    return options


def _suback(kind: int, reader: Reader) -> Ack:
    packet_id = _packet_id(reader)
    if reader.version >= 5:
        properties(reader, kind)
        return Ack(kind, packet_id, codes=reader.take(reader.left))
    if kind == UNSUBACK:
        reader.done()
        return Ack(kind, packet_id)
    codes = reader.take(reader.left)
    if not set(codes) <= _GRANTED:
        raise MalformedError("MQTT-3.9.3-2", "a return code that is none")
    return Ack(kind, packet_id, codes=codes)


def _disconnect(reader: Reader) -> Disconnect:
    code, found = 0, Properties()
    if reader.version >= 5 and reader.left:
        code = reader.byte()
        if reader.left:
            found = properties(reader, DISCONNECT)
    reader.done()
    return Disconnect(code, found)


def _auth(reader: Reader) -> Plain:
    if reader.left:
        reader.byte()
        if reader.left:
            properties(reader, AUTH)
    reader.done()
    return Plain(AUTH)


def name_of(first: int) -> str:
    """What a packet is called, by its first byte."""
    return NAMES[first >> 4]
