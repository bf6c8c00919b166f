"""What happens to MQTT connections, as rows: who came, was refused, fell silent, was thrown out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Happening(StrEnum):
    """What a row tells."""

    CONNECT = "connect"
    ACCEPTED = "connack"
    REFUSED = "connection-refused"
    DISCONNECT = "disconnect"
    DROPPED = "dropped"  # ended without a DISCONNECT
    KEEP_ALIVE = "keep-alive"  # the broker ended it, or should have: silent for 1.5 x keep alive
    TAKEN_OVER = "taken-over"  # by another connection with the same client identifier
    DUEL = "duel"  # two connections take one client identifier from each other, again and again
    HALF_HANDSHAKE = "half-handshake"
    REFUSED_MESSAGE = "message-refused"  # PUBACK, PUBREC or SUBACK with a failure
    MALFORMED = "malformed"  # a packet that breaks the standard by itself
    VIOLATION = "violation"  # a packet that breaks it by when it comes
    LOST = "lost"  # bytes that were not captured
    UNREAD = "unread"  # a packet with such bytes, or one too large


@dataclass(frozen=True, slots=True)
class ConnectionEvent:
    """One row. Text in `client` and `detail` comes from outside; no password is ever in it."""

    number: int  # of the frame by which it came to light
    t_ns: int
    what: Happening
    client: str  # client identifier, or the address where none is known
    detail: str


def seconds(ns: int) -> str:
    """A length of time in words of seconds, as keep alives are stated."""
    return f"{ns / 1e9:,.3g} s" if ns < 1e11 else f"{ns / 1e9:,.0f} s"
