"""MQTT in the streams of a network capture: messages as columns, and what happened to connections.

Of each block the plain messages are taken off together; every other packet goes, in the order of
the capture, through the sessions. What comes out does not depend on the blocks.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from decoders.captures.tcp_connections import Part, What
from decoders.messages.columns import NO_MESSAGES, Messages
from decoders.messages.mqtt_block import Block, Row, Step, step_at
from decoders.messages.mqtt_bytes import MalformedError
from decoders.messages.mqtt_connect import Connack
from decoders.messages.mqtt_connection import MqttConnection
from decoders.messages.mqtt_happenings import ConnectionEvent
from decoders.messages.mqtt_opening import Opening, Told, Verdict
from decoders.messages.mqtt_packets import Packet, Publish
from decoders.messages.mqtt_rows import messages_of
from decoders.messages.mqtt_sessions import SessionFacts, Sessions
from decoders.messages.mqtt_sorting import Hole, PacketSorter
from decoders.messages.mqtt_stream import Lost, Unread


@dataclass(frozen=True, slots=True, eq=False)
class MqttRows:
    """What some frames held."""

    messages: Messages  # `line` is the number of the frame that completed one
    events: list[ConnectionEvent]


@dataclass(frozen=True, slots=True)
class TrafficFacts:
    """What was counted beside the sessions."""

    connections: int  # that carry MQTT
    begun_before: int  # of which the CONNECT was not captured
    tls: int  # on the port of MQTT over TLS: not readable


class MqttDecoder:
    """A fold from the parts of TCP connections to MQTT messages and happenings."""

    def __init__(self) -> None:
        self._connections = self._tls = 0
        self._sessions = Sessions()
        self._sorter = PacketSorter()
        self._openings: dict[int, tuple[Opening, list[Part]]] = {}  # by serial
        self._known: dict[int, MqttConnection] = {}
        self._last = (0, -(2**63))  # frame and time

    @property
    def facts(self) -> TrafficFacts:
        """What was counted of connections."""
        return TrafficFacts(self._connections, self._sorter.begun_before, self._tls)

    @property
    def holes(self) -> list[Hole]:
        """What was not captured: the first 1000."""
        return self._sorter.holes

    @property
    def sessions(self) -> SessionFacts:
        """What was counted of sessions."""
        return self._sessions.facts

    def feed(self, parts: Iterable[Part]) -> MqttRows:
        """Take what the next frames brought; return what they held."""
        block = Block()
        for part in parts:
            number, t_ns = self._last
            self._last = max(number, int(part.number[-1])), max(t_ns, int(part.t_ns.max()))
            for known, each in self._wanted(block, part):
                if self._sorter.feed(block, known, each):
                    self._known.pop(known.tcp.serial, None)
        self._walk(block)
        return MqttRows(messages_of(block), self._sessions.take())

    def finish(self) -> MqttRows:
        """Return what the end left; feed nothing after this."""
        self._sessions.finish(*self._last)
        return MqttRows(NO_MESSAGES, self._sessions.take())

    def _wanted(self, block: Block, part: Part) -> list[tuple[MqttConnection, Part]]:
        """The parts of a connection that are to be read, once it is known to carry MQTT."""
        serial = part.connection.serial
        known = self._known.get(serial)
        if known is not None:
            return [(known, part)]
        if not part.connection.is_wanted:
            return []
        opening, held = self._openings.setdefault(serial, (Opening(part.connection), []))
        held.append(part)
        told = opening.feed(part)
        if told is None:
            return []
        del self._openings[serial]
        known = MqttConnection(part.connection, told.client, self._sessions.new_in_flight())
        if told.verdict is not Verdict.MQTT:
            self._refuse(block, known, part, told)
            return []
        self._connections += 1
        self._known[serial] = known
        return [(known, _not_before(each, told.number)) for each in held]

    def _refuse(self, block: Block, c: MqttConnection, part: Part, told: Told) -> None:
        """Ask no more for a connection that carries something else."""
        part.connection.is_wanted = False
        self._tls += told.verdict is Verdict.TLS
        if told.verdict is Verdict.NO_CONNECT:
            error = MalformedError("MQTT-3.1.0-1", "the connection does not begin with a CONNECT")
            row = int(np.searchsorted(part.number, told.number))
            block.steps.append(step_at(c, told.client, part, row, 0, error))

    def _walk(self, block: Block) -> None:
        """Take what is not plain through the sessions, in the order of the capture."""
        self._sessions.facts.packets += block.packets
        for step in block.in_order():
            c, number, t_ns, what = step.connection, step.place.number, step.t_ns, step.what
            self._sessions.at(number)
            self._sessions.heard(c, number)
            match what:
                case MalformedError():
                    self._sessions.malformed(c, step.half, t_ns, step.first, what)
                case Lost():
                    self._sessions.lost(c, step.half, t_ns, what.missing)
                case Unread():
                    self._sessions.unread(c, t_ns, what.first, what.length, what.missing)
                case What():
                    self._end(c, step.half, t_ns, what)
                case _:
                    self._packet(block, step, what)
        for c in block.heard.values():
            self._sessions.heard(c, 2**62)
            c.all_heard()

    def _end(self, c: MqttConnection, half: int, t_ns: int, what: What) -> None:
        if what is What.GONE:
            self._sessions.gone(c)
        elif what is What.CUT:
            self._sessions.cut(c, t_ns)
        else:
            self._sessions.ended(c, half, t_ns, "closed" if what is What.FIN else "reset")

    def _packet(self, block: Block, step: Step, what: Packet) -> None:
        c = step.connection
        if isinstance(what, Connack) and what.client and not what.code and not c.client:
            c.name(what.client, step.place.number)
        topic = self._sessions.packet(c, step.half, step.t_ns, what)
        if isinstance(what, Publish) and topic is not None:
            flags = what.qos, what.retain, what.duplicate
            row = Row(step.place, c, step.half, step.t_ns, topic, what.payload, *flags)
            block.rows.append(row)


def _not_before(part: Part, number: int) -> Part:
    """A part whose rows came to light with a frame at the earliest."""
    held = np.maximum(part.number, number)
    rest = part.what, part.half, held, part.t_ns, part.start, part.length, part.data
    return Part(part.connection, *rest)
