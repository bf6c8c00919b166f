"""What the packets of one block of a network capture are sorted into, each with its place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from decoders.captures.pcap_frames import Int64s
from decoders.captures.tcp_connections import Part, What
from decoders.messages.mqtt_bulk import Plain
from decoders.messages.mqtt_bytes import MalformedError
from decoders.messages.mqtt_connection import MqttConnection
from decoders.messages.mqtt_packets import Packet
from decoders.messages.mqtt_stream import Lost, Unread

Stepping = Packet | MalformedError | Lost | Unread | What


class Place(NamedTuple):
    """Where a packet stands among all: frame, connection, row of its part, packet of its half."""

    number: int
    serial: int
    row: int
    k: int


class Step(NamedTuple):
    """Something that goes through the sessions."""

    place: Place
    connection: MqttConnection
    half: int
    t_ns: int
    what: Stepping
    first: int | None = None  # first byte of the packet it was


class Row(NamedTuple):
    """A message that went through the sessions."""

    place: Place
    connection: MqttConnection
    half: int
    t_ns: int
    topic: str
    payload: bytes
    qos: int
    retain: bool
    duplicate: bool


class Many(NamedTuple):
    """n plain messages of one half; a column each of their places and times."""

    connection: MqttConnection
    half: int
    number: Int64s  # [n]
    t_ns: Int64s  # [n]
    row: Int64s  # [n]
    k: Int64s  # [n]
    plain: Plain


@dataclass(slots=True)
class Block:
    """What is found in the parts of one block."""

    steps: list[Step] = field(default_factory=list)
    many: list[Many] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    heard: dict[int, MqttConnection] = field(default_factory=dict)  # whose clients spoke, by serial
    packets: int = 0  # whole control packets

    def in_order(self) -> Sequence[Step]:
        """The steps in the order of the capture."""
        return sorted(self.steps, key=lambda step: step.place)


def step_at(
    c: MqttConnection,
    half: int,
    part: Part,
    row: int,
    k: int,
    what: Stepping,
    first: int | None = None,
) -> Step:
    """A step at a row of a part.

    Args:
        c: whose part it is.
        half: who sent it.
        part: the part.
        row: which of its rows.
        k: which packet of the half in this part.
        what: the step.
        first: first byte of the packet, if it is one.
    """
    place = Place(int(part.number[row]), c.tcp.serial, row + c.rows_before, k)
    return Step(place, c, half, int(part.t_ns[row]), what, first)
