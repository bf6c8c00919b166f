"""CONNECT and CONNACK (MQTT 3.1.1 and 5.0 sections 3.1 and 3.2)."""

from __future__ import annotations

from dataclasses import dataclass

from decoders.messages.mqtt_bytes import MalformedError, Reader
from decoders.messages.mqtt_properties import (
    ASSIGNED_CLIENT,
    SERVER_KEEP_ALIVE,
    SESSION_EXPIRY,
    WILL,
    number,
    properties,
    text,
)
from decoders.messages.mqtt_words import CONNACK, CONNECT

PROTOCOLS = {b"MQIsdp": (3,), b"MQTT": (4, 5)}
_USER, _PASSWORD, _WILL_RETAIN, _WILL, _CLEAN, _RESERVED = 0x80, 0x40, 0x20, 0x04, 0x02, 0x01


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker publishes when the connection ends without a DISCONNECT."""

    topic: str
    qos: int
    retain: bool


@dataclass(frozen=True, slots=True)
class Connect:
    """A CONNECT, without what it logs in with."""

    version: int
    client: str  # "": the broker is to assign one
    keep_alive_s: int  # 0: off
    clean: bool
    keeps_session: bool  # it outlives the connection
    will: Will | None
    has_user: bool
    has_password: bool


@dataclass(frozen=True, slots=True)
class Connack:
    """A CONNACK."""

    code: int  # 0: accepted
    session_present: bool
    keep_alive_s: int | None = None  # what the broker asks for instead
    client: str = ""  # what it assigned


def looks_connect(data: bytes) -> bool:
    """Whether a stream begins with a CONNECT, by as much of it as there is."""
    if not data or data[0] >> 4 != CONNECT:
        return False
    for at in range(2, 6):  # behind a Remaining Length of 1 to 4 bytes
        if len(data) < at or data[at - 1] < 0x80:
            break
    body = data[at:]
    return any(
        body[: 2 + len(name)] == (len(name).to_bytes(2, "big") + name)[: len(body)]
        for name in PROTOCOLS
    )


def connect(reader: Reader) -> Connect:
    """What a CONNECT says.

    Raises:
        MalformedError: the statement it breaks.
    """
    protocol, level = reader.binary(), reader.byte()
    if protocol not in PROTOCOLS:
        raise MalformedError("MQTT-3.1.2-1", "a protocol name that is not MQTT's")
    if level & 0x7F not in PROTOCOLS[protocol]:  # bridges of some brokers set the top bit
        raise MalformedError("MQTT-3.1.2-2", f"protocol level {level} is not known")
    reader.version = version = level & 0x7F
    flags, keep_alive_s = reader.byte(), reader.u16()
    _check_flags(flags, version)
    found = properties(reader, CONNECT) if version >= 5 else {}
    client = reader.text()
    clean = bool(flags & _CLEAN)
    if not client and not clean and version == 4:
        raise MalformedError("MQTT-3.1.3-8", "no client identifier, and not a clean session")
    will = _will(reader, flags) if flags & _WILL else None
    if flags & _USER:
        reader.text()
    if flags & _PASSWORD:
        reader.skip_binary()
    reader.done()
    keeps = number(found, SESSION_EXPIRY, 0) > 0 if version >= 5 else not clean
    has = bool(flags & _USER), bool(flags & _PASSWORD)
    return Connect(version, client, keep_alive_s, clean, keeps, will, *has)


def _check_flags(flags: int, version: int) -> None:
    """MQTT 3.1.1 and 5.0 section 3.1.2.3 to 3.1.2.9."""
    is_5, will_qos = version >= 5, flags >> 3 & 3
    if flags & _RESERVED:
        raise MalformedError("MQTT-3.1.2-3", "the reserved connect flag is set")
    if will_qos == 3:
        raise MalformedError("MQTT-3.1.2-12" if is_5 else "MQTT-3.1.2-14", "will QoS 3")
    if not flags & _WILL and will_qos:
        clause = "MQTT-3.1.2-11" if is_5 else "MQTT-3.1.2-13"
        raise MalformedError(clause, "a will QoS without a will")
    if not flags & _WILL and flags & _WILL_RETAIN:
        clause = "MQTT-3.1.2-13" if is_5 else "MQTT-3.1.2-15"
        raise MalformedError(clause, "will retain without a will")
    if version == 4 and flags & _PASSWORD and not flags & _USER:
        raise MalformedError("MQTT-3.1.2-22", "a password without a user name")


def _will(reader: Reader, flags: int) -> Will:
    if reader.version >= 5:
        properties(reader, WILL)
    topic = reader.text()
    reader.skip_binary()
    return Will(topic, flags >> 3 & 3, bool(flags & _WILL_RETAIN))


def connack(reader: Reader) -> Connack:
    """What a CONNACK says.

    Raises:
        MalformedError: the statement it breaks.
    """
    flags, code = reader.byte(), reader.byte()
    is_5 = reader.version >= 5
    if flags & 0xFE:
        clause = "MQTT-3.2.2-1" if is_5 else "MQTT 3.1.1 section 3.2.2.1"
        raise MalformedError(clause, "reserved acknowledge flags are set")
    present = bool(flags & 1)
    if present and code:
        clause = "MQTT-3.2.2-6" if is_5 else "MQTT-3.2.2-4"
        raise MalformedError(clause, "a session is present though it refuses the connection")
    keep_alive_s, client = None, ""
    if is_5 and reader.left:  # a broker that refuses an unknown version answers in its own
        found = properties(reader, CONNACK)
        client = text(found, ASSIGNED_CLIENT)
        if SERVER_KEEP_ALIVE in found:
            keep_alive_s = number(found, SERVER_KEEP_ALIVE, 0)
    reader.done()
    return Connack(code, present, keep_alive_s, client)
