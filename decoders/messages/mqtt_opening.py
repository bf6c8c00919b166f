"""Whether a TCP connection carries MQTT, and which side is the client: told by its first bytes.

A connection whose begin was captured must begin with a CONNECT, on whatever port. One that was
open before the capture began is taken for MQTT on port 1883 alone. Nothing is said of TLS but that
it cannot be read.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from decoders.captures.tcp_connections import Connection, Part, What
from decoders.messages.mqtt_connect import looks_connect

PORT, TLS_PORT = 1883, 8883  # as IANA assigns them
_TASTED = 13  # bytes: first byte, length of up to 4, name with its length
_MOST_FROM_BROKER = 1 << 14  # bytes that may come to light before the CONNECT they answer


class Verdict(Enum):
    """What a connection carries."""

    MQTT = "mqtt"
    NO_CONNECT = "no CONNECT"  # on MQTT's port, but it begins with something else
    TLS = "tls"  # on the port of MQTT over TLS
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Told:
    """A verdict."""

    verdict: Verdict
    client: int = 0  # which half is the client's
    number: int = 0  # of the frame by which it could be told


class Opening:
    """A fold from the first bytes of a connection to what it carries.

    Args:
        connection: which one.
    """

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._tasted = [b"", b""]
        self._bytes = [0, 0]

    def feed(self, part: Part) -> Told | None:
        """Take what was seen next; None while it cannot be told. A Python step a row until then."""
        for k in range(len(part)):
            what, half = int(part.what[k]), int(part.half[k])
            verdict: Verdict | None = Verdict.OTHER
            if what == What.DATA:
                start, length = int(part.start[k]), int(part.length[k])
                room = _TASTED - len(self._tasted[half])
                self._tasted[half] += part.data[start : start + min(length, room)]
                self._bytes[half] += length
                verdict = self._verdict(half)
            elif what == What.HOLE:
                verdict = Verdict.MQTT if self._is_mqtt_port else Verdict.OTHER
            if verdict is not None:
                return Told(verdict, self._client(half), int(part.number[k]))
        return None

    def _verdict(self, half: int) -> Verdict | None:
        tasted, opener = self._tasted[half], self._connection.opener
        is_connect = looks_connect(tasted)
        if opener is None:  # open before the capture began, or its SYN was not captured
            if self._is_mqtt_port or (is_connect and len(tasted) >= _TASTED):
                return Verdict.MQTT
            return self._not_mqtt(tasted)
        if half != opener:
            return Verdict.OTHER if self._bytes[half] > _MOST_FROM_BROKER else None
        if is_connect:
            return Verdict.MQTT if len(tasted) >= _TASTED else None
        return Verdict.NO_CONNECT if self._is_mqtt_port else self._not_mqtt(tasted)

    def _not_mqtt(self, tasted: bytes) -> Verdict:
        # a TLS record of a handshake, RFC 8446 section 5.1
        is_tls = tasted[:2] == b"\x16\x03"[: len(tasted)]
        ports = [end.port for end in self._connection.ends]
        return Verdict.TLS if is_tls and TLS_PORT in ports else Verdict.OTHER

    @property
    def _is_mqtt_port(self) -> bool:
        return PORT in [end.port for end in self._connection.ends]

    def _client(self, half: int) -> int:
        """The client's half: the opener's; else the one that is not on MQTT's port, or spoke."""
        if self._connection.opener is not None:
            return self._connection.opener
        ports = [end.port for end in self._connection.ends]
        if (ports[0] == PORT) != (ports[1] == PORT):
            return 1 - ports.index(PORT)
        return half
