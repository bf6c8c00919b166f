"""One MQTT connection as its packets tell it: who it is, what it asked for, when it last spoke."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from decoders.captures.pcap_frames import Int64s
from decoders.captures.tcp_connections import Connection
from decoders.messages.mqtt_connect import Connack, Connect
from decoders.messages.mqtt_handshakes import InFlight
from decoders.messages.mqtt_stream import HalfStream

_NEVER = -(2**63)
_NONE = np.empty(0, np.int64)
_MOST_ALIASES = 4096


class Silence(NamedTuple):
    """A time in which a client sent nothing."""

    number: int  # of the frame in which it spoke again
    from_ns: int
    until_ns: int


@dataclass(slots=True, eq=False)
class MqttConnection:
    """One connection.

    Attributes:
        client_half: which half of the TCP connection is the client's.
        whole: whether it began with a CONNECT here, so that nothing before it is missing.
        versions: protocol level of what each half sends: what the CONNECT says; where that was not
            captured what can be told from the packets, and 4 until then.
        names: from which frame on it has which client identifier.
    """

    tcp: Connection
    client_half: int
    in_flight: InFlight
    whole: bool = False
    versions: list[int | None] = field(default_factory=lambda: [None, None])
    connect: Connect | None = None
    connack: Connack | None = None
    keep_alive_s: int = 0
    last_client_ns: int = _NEVER  # when the client last sent a control packet
    goodbye: int | None = None  # the half that sent a DISCONNECT
    is_over: bool = False
    is_taken_over: bool = False  # and that was told
    rival: MqttConnection | None = None  # the open connection its CONNECT came upon
    lost: bool = False  # bytes of it were not captured
    begun: list[bool] = field(default_factory=lambda: [False, False])  # a packet came of each half
    names: list[tuple[int, str]] = field(default_factory=lambda: [(0, "")])
    streams: tuple[HalfStream, HalfStream] = field(
        default_factory=lambda: (HalfStream(), HalfStream())
    )
    aliases: tuple[dict[int, str], dict[int, str]] = field(default_factory=lambda: ({}, {}))
    topics: dict[bytes, str] = field(default_factory=dict)  # names seen; "": not allowed
    came_ns: list[int] = field(default_factory=lambda: [0, 0])  # when bytes of each half last came
    ends_seen: int = 0  # rows that ended it, or one side of it
    rows_before: int = 0  # of earlier parts
    _spoke: Int64s = field(default_factory=lambda: _NONE)  # frames of the client's plain packets
    _spoke_ns: Int64s = field(default_factory=lambda: _NONE)  # in this block, and their times
    _heard: int = 0  # how many of them were taken in

    @property
    def client(self) -> str:
        """Its client identifier, "" while it is not known."""
        return self.names[-1][1]

    @property
    def label(self) -> str:
        """What to call it: its client identifier, or its address."""
        return self.client or str(self.tcp.ends[self.client_half])

    @property
    def client_end(self) -> str:
        """The client's address and port."""
        return str(self.tcp.ends[self.client_half])

    @property
    def is_accepted(self) -> bool:
        """Whether a CONNACK let it in."""
        return self.connack is not None and not self.connack.code

    @property
    def keeps_session(self) -> bool:
        """Whether what is in flight outlives it."""
        return self.connect is not None and self.connect.keeps_session

    def version(self, half: int) -> int:
        """The protocol level to read a half by."""
        return self.versions[half] or 4

    @property
    def limit_ns(self) -> int | None:
        """How long the client may be silent before the broker ends it; None: as long as it likes.

        One and a half times the keep alive [MQTT-3.1.2-24 of 3.1.1, MQTT-3.1.2-22 of 5.0].
        """
        return self.keep_alive_s * 1_500_000_000 if self.keep_alive_s else None

    def name(self, client: str, number: int) -> None:
        """From a frame on it has this client identifier."""
        self.names.append((number, client))

    def named(self, number: int) -> str:
        """The client identifier at a frame."""
        return next(name for begin, name in reversed(self.names) if begin <= number)

    def spoke(self, numbers: Int64s, t_ns: Int64s) -> None:
        """The next packets of the client in this block of which nothing else is asked."""
        if len(self._spoke):
            numbers = np.concatenate([self._spoke, numbers])
            t_ns = np.concatenate([self._spoke_ns, t_ns])
        self._spoke, self._spoke_ns = numbers, t_ns

    def hear(self, number: int) -> list[Silence]:
        """Take in what the client sent up to a frame; return silences longer than allowed."""
        end = int(np.searchsorted(self._spoke, number, side="right"))
        if end == self._heard:
            return []
        numbers, times_ns = self._spoke[self._heard : end], self._spoke_ns[self._heard : end]
        self._heard = end
        first = self.active(int(numbers[0]), int(times_ns[0]))
        self.last_client_ns = max(self.last_client_ns, int(times_ns[-1]))
        if self.limit_ns is None:
            return first
        spans = np.diff(times_ns)
        at = np.flatnonzero(spans > self.limit_ns)
        ends = zip(
            numbers[at + 1].tolist(), times_ns[at].tolist(), times_ns[at + 1].tolist(), strict=True
        )
        return first + [Silence(*each) for each in ends]

    def all_heard(self) -> None:
        """The block is over, and everything in it was taken in."""
        self._spoke = self._spoke_ns = _NONE
        self._heard = 0

    def active(self, number: int, t_ns: int) -> list[Silence]:
        """The client sent a control packet in this frame; see `hear`."""
        limit_ns, last = self.limit_ns, self.last_client_ns
        self.last_client_ns = max(last, t_ns)
        if limit_ns is None or last == _NEVER or t_ns - last <= limit_ns:
            return []
        return [Silence(number, last, t_ns)]

    def silence_ns(self, t_ns: int) -> int:
        """How long the client had been silent at a time."""
        return 0 if self.last_client_ns == _NEVER else max(t_ns - self.last_client_ns, 0)

    def topic_of(self, alias: int, topic: str, half: int) -> str | None:
        """A topic name, or what a topic alias stands for; None when that was never said.

        MQTT 5.0 section 3.3.2.3.4. Aliases are of one direction of one connection.
        """
        if not alias:
            return topic
        known = self.aliases[half]
        if not topic:
            return known.get(alias)
        if alias in known or len(known) < _MOST_ALIASES:
            known[alias] = topic
        return topic
