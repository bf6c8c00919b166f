"""Properties of MQTT 5.0 packets (section 2.2.2): which there are, of what type, and where."""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

from decoders.messages.mqtt_bytes import MalformedError, Reader
from decoders.messages.mqtt_words import (
    AUTH,
    CONNACK,
    CONNECT,
    DISCONNECT,
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

WILL = 16  # stands for a packet type where the properties are those of a will


class Type(Enum):
    """How a value is written."""

    BYTE = "byte"
    U16 = "u16"
    U32 = "u32"
    VARINT = "varint"
    TEXT = "text"
    BINARY = "binary"
    PAIR = "pair"


class Property(NamedTuple):
    """A property of table 2-4."""

    name: str
    type: Type
    packets: tuple[int, ...]


_ACKS = (PUBACK, PUBREC, PUBREL, PUBCOMP, SUBACK, UNSUBACK)
_MESSAGE = (PUBLISH, WILL)
_EVERY = (CONNECT, CONNACK, *_MESSAGE, *_ACKS, SUBSCRIBE, UNSUBSCRIBE, DISCONNECT, AUTH)
_LOGIN = (CONNECT, CONNACK, AUTH)

USER, SUBSCRIPTION = 0x26, 0x0B
SESSION_EXPIRY, ASSIGNED_CLIENT, SERVER_KEEP_ALIVE = 0x11, 0x12, 0x13
ALIAS_MAXIMUM, ALIAS, REASON, AUTHENTICATION_DATA = 0x22, 0x23, 0x1F, 0x16

PROPERTIES = {
    0x01: Property("payload format indicator", Type.BYTE, _MESSAGE),
    0x02: Property("message expiry interval", Type.U32, _MESSAGE),
    0x03: Property("content type", Type.TEXT, _MESSAGE),
    0x08: Property("response topic", Type.TEXT, _MESSAGE),
    0x09: Property("correlation data", Type.BINARY, _MESSAGE),
    SUBSCRIPTION: Property("subscription identifier", Type.VARINT, (PUBLISH, SUBSCRIBE)),
    SESSION_EXPIRY: Property("session expiry interval", Type.U32, (CONNECT, CONNACK, DISCONNECT)),
    ASSIGNED_CLIENT: Property("assigned client identifier", Type.TEXT, (CONNACK,)),
    SERVER_KEEP_ALIVE: Property("server keep alive", Type.U16, (CONNACK,)),
    0x15: Property("authentication method", Type.TEXT, _LOGIN),
    AUTHENTICATION_DATA: Property("authentication data", Type.BINARY, _LOGIN),
    0x17: Property("request problem information", Type.BYTE, (CONNECT,)),
    0x18: Property("will delay interval", Type.U32, (WILL,)),
    0x19: Property("request response information", Type.BYTE, (CONNECT,)),
    0x1A: Property("response information", Type.TEXT, (CONNACK,)),
    0x1C: Property("server reference", Type.TEXT, (CONNACK, DISCONNECT)),
    REASON: Property("reason string", Type.TEXT, (CONNACK, *_ACKS, DISCONNECT, AUTH)),
    0x21: Property("receive maximum", Type.U16, (CONNECT, CONNACK)),
    ALIAS_MAXIMUM: Property("topic alias maximum", Type.U16, (CONNECT, CONNACK)),
    ALIAS: Property("topic alias", Type.U16, (PUBLISH,)),
    0x24: Property("maximum QoS", Type.BYTE, (CONNACK,)),
    0x25: Property("retain available", Type.BYTE, (CONNACK,)),
    USER: Property("user property", Type.PAIR, _EVERY),
    0x27: Property("maximum packet size", Type.U32, (CONNECT, CONNACK)),
    0x28: Property("wildcard subscription available", Type.BYTE, (CONNACK,)),
    0x29: Property("subscription identifier available", Type.BYTE, (CONNACK,)),
    0x2A: Property("shared subscription available", Type.BYTE, (CONNACK,)),
}

Value = int | str | bytes | tuple[str, str]
Properties = dict[int, Value]


def properties(reader: Reader, packet: int) -> Properties:
    """The properties that begin at a reader's place, by identifier.

    What logs a client in (authentication data) is passed over and not kept. Of user properties, and
    of the subscription identifiers of a PUBLISH, of which there may be many, the last is kept.

    Args:
        reader: of the packet, before its Property Length.
        packet: its type, or `WILL`.

    Raises:
        MalformedError: an identifier that is unknown, has no place there, or stands twice.
    """
    length = reader.varint()
    if length > reader.left:
        raise MalformedError("MQTT 5.0 section 2.2.2.1", "a Property Length beyond its end")
    inner = Reader(reader.body, reader.version, reader.at, reader.at + length)
    found: Properties = {}
    while inner.left:
        code = inner.varint()
        known = PROPERTIES.get(code)
        if known is None or packet not in known.packets:
            what = f"property 0x{code:02X} has no place in it"
            raise MalformedError("MQTT 5.0 section 2.2.2.2", what)
        may_repeat = code == USER or (code == SUBSCRIPTION and packet == PUBLISH)
        if code in found and not may_repeat:
            raise MalformedError("MQTT 5.0 section 2.2.2.2", f"its {known.name} stands twice")
        value = _value(inner, known.type)
        found[code] = b"" if code == AUTHENTICATION_DATA else value
    reader.at = inner.end
    return found


def _value(reader: Reader, kind: Type) -> Value:
    match kind:
        case Type.BYTE:
            return reader.byte()
        case Type.U16:
            return reader.u16()
        case Type.U32:
            return reader.u32()
        case Type.VARINT:
            return reader.varint()
        case Type.TEXT:
            return reader.text()
        case Type.BINARY:
            return reader.binary()
        case Type.PAIR:
            return reader.text(), reader.text()


def number(found: Properties, code: int, default: int) -> int:
    """A property that is a number, or what stands for it where it was left out."""
    value = found.get(code, default)
    return value if isinstance(value, int) else default


def text(found: Properties, code: int) -> str:
    """A property that is a string, "" where it was left out."""
    value = found.get(code, "")
    return value if isinstance(value, str) else ""
