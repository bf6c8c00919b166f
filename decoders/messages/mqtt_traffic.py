"""MQTT in the streams of a network capture: messages as columns, and what happened to connections.

Of each block the plain messages are taken off together; every other packet goes, in the order of
the capture, through the sessions. What comes out does not depend on the blocks.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from decoders.captures.pcap_frames import Int64s
from decoders.captures.tcp_connections import Part, What
from decoders.messages.columns import DIRECTIONS, NO_MESSAGES, Messages, coded, offsets
from decoders.messages.mqtt_bulk import Plain, pings, plain_publishes
from decoders.messages.mqtt_bytes import MalformedError
from decoders.messages.mqtt_connect import Connack, Connect
from decoders.messages.mqtt_connection import MqttConnection
from decoders.messages.mqtt_happenings import ConnectionEvent
from decoders.messages.mqtt_opening import Opening, Verdict
from decoders.messages.mqtt_packets import Packet, Publish, packet
from decoders.messages.mqtt_sessions import SessionFacts, Sessions
from decoders.messages.mqtt_stream import Broken, Cut, Lost, Unread
from decoders.messages.mqtt_versions import told_version
from decoders.messages.mqtt_words import CONNECT

_TO_BROKER, _FROM_BROKER = (DIRECTIONS.index(word) for word in ("to-broker", "from-broker"))


@dataclass(frozen=True, slots=True, eq=False)
class MqttRows:
    """What some frames held."""

    messages: Messages  # `line` is the number of the frame that completed one
    events: list[ConnectionEvent]


@dataclass(slots=True)
class TrafficFacts:
    """What was counted beside the sessions."""

    connections: int = 0  # that carry MQTT
    begun_before: int = 0  # of which the CONNECT was not captured
    tls: int = 0  # on the port of MQTT over TLS: not readable


@dataclass(frozen=True, slots=True)
class Hole:
    """Bytes of a connection that were sent and not captured."""

    client: str
    from_ns: int  # when the last bytes before them had come
    until_ns: int  # when the first behind them had
    missing: int


_MOST_HOLES = 1000


class _Place(NamedTuple):
    """Where a packet stands among all: frame, connection, row of its part, packet of its half."""

    number: int
    serial: int
    row: int
    k: int


class _Step(NamedTuple):
    """Something that goes through the sessions."""

    place: _Place
    connection: MqttConnection
    half: int
    t_ns: int
    what: Packet | MalformedError | Lost | Unread | What
    first: int | None = None


class _Row(NamedTuple):
    """A message."""

    place: _Place
    connection: MqttConnection
    half: int
    t_ns: int
    topic: str
    payload: bytes
    qos: int
    retain: bool
    duplicate: bool


class _Many(NamedTuple):
    """Plain messages of one half."""

    connection: MqttConnection
    half: int
    number: Int64s
    t_ns: Int64s
    row: Int64s
    k: Int64s
    plain: Plain


@dataclass(slots=True)
class _Block:
    """What is found in the parts of one block."""

    steps: list[_Step] = field(default_factory=list)
    many: list[_Many] = field(default_factory=list)
    rows: list[_Row] = field(default_factory=list)
    heard: dict[int, MqttConnection] = field(default_factory=dict)  # whose clients spoke, by serial


class MqttDecoder:
    """A fold from the parts of TCP connections to MQTT messages and happenings."""

    def __init__(self) -> None:
        self.facts = TrafficFacts()
        self.holes: list[Hole] = []  # the first 1000
        self._sessions = Sessions()
        self._openings: dict[int, tuple[Opening, list[Part]]] = {}  # by serial
        self._known: dict[int, MqttConnection] = {}
        self._last = (0, -(2**63))  # frame and time

    @property
    def sessions(self) -> SessionFacts:
        """What was counted of sessions."""
        return self._sessions.facts

    def feed(self, parts: Iterable[Part]) -> MqttRows:
        """Take what the next frames brought; return what they held."""
        block = _Block()
        for part in parts:
            number, t_ns = self._last
            self._last = max(number, int(part.number[-1])), max(t_ns, int(part.t_ns.max()))
            for known, each in self._wanted(block, part):
                self._part(block, known, each)
        self._walk(block)
        return MqttRows(_messages(block), self._sessions.take())

    def finish(self) -> MqttRows:
        """Return what the end left; feed nothing after this."""
        self._sessions.finish(*self._last)
        return MqttRows(NO_MESSAGES, self._sessions.take())

    def _wanted(self, block: _Block, part: Part) -> list[tuple[MqttConnection, Part]]:
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
        if told.verdict is Verdict.MQTT:
            self.facts.connections += 1
            self._known[serial] = known
            return [(known, _not_before(each, told.number)) for each in held]
        part.connection.is_wanted = False
        self.facts.tls += told.verdict is Verdict.TLS
        if told.verdict is Verdict.NO_CONNECT:
            error = MalformedError("MQTT-3.1.0-1", "the connection does not begin with a CONNECT")
            row = int(np.searchsorted(part.number, told.number))
            block.steps.append(_step(known, told.client, part, row, 0, error))
        return []

    def _part(self, block: _Block, c: MqttConnection, part: Part) -> None:
        """Cut a part into packets, and sort them by what is to be done with them."""
        for half in (c.client_half, 1 - c.client_half):
            k = 0
            spoke = [np.empty(0, np.int64)]
            for found in c.streams[half].feed(part, half):
                if isinstance(found, Cut):
                    spoke += self._cut(block, c, half, part, found, k)
                    k += len(found)
                    continue
                if isinstance(found, Lost) and len(self.holes) < _MOST_HOLES:
                    self.holes.append(_hole(c, half, part, found))
                what = found.error if isinstance(found, Broken) else found
                block.steps.append(_step(c, half, part, found.row, k, what))
                k += 1
            if half == c.client_half:
                rows = np.sort(np.concatenate(spoke))
                c.spoke(part.number[rows], part.t_ns[rows])
                block.heard[c.tcp.serial] = c
        for half in (0, 1):
            came = part.t_ns[(part.half == half) & (part.what <= What.HOLE)]
            c.came_ns[half] = int(came[-1]) if len(came) else c.came_ns[half]
        ends = np.flatnonzero(part.what >= What.FIN).tolist()
        for row in ends:
            end = What(int(part.what[row]))
            block.steps.append(_step(c, int(part.half[row]), part, row, 0, end))
        c.ends_seen += len(ends)
        c.rows_before += len(part)
        if ends and (part.what[-1] >= What.RST or c.ends_seen > 1):
            self._known.pop(c.tcp.serial, None)

    def _cut(
        self, block: _Block, c: MqttConnection, half: int, part: Part, cut: Cut, k: int
    ) -> list[Int64s]:
        """Take whole packets; return the rows in which plain ones came."""
        read: dict[int, Packet | MalformedError] = {}
        if not c.begun[half]:
            c.begun[half] = True
            if half == c.client_half and cut.first[0] >> 4 == CONNECT:
                read[0] = _connected(c, cut, int(part.number[cut.row[0]]))
            elif half == c.client_half:
                self.facts.begun_before += 1
        if c.versions[half] is None:
            c.versions[half] = _version(cut, from_client=half == c.client_half)
        version = c.version(half)
        plain = plain_publishes(cut, version, c.topics)
        pinged = pings(cut, from_client=half == c.client_half)
        self._sessions.facts.packets += len(cut)
        if len(plain.at):
            row = cut.row[plain.at]
            keys = part.number[row], part.t_ns[row], row + c.rows_before, plain.at + k
            block.many.append(_Many(c, half, *keys, plain))
        others = np.ones(len(cut), np.bool_)
        others[plain.at] = others[pinged] = False
        for at in np.flatnonzero(others).tolist():
            first = int(cut.first[at])
            what = read.get(at) or _read(c, half, first, cut.body_of(at), version)
            block.steps.append(_step(c, half, part, int(cut.row[at]), k + at, what, first))
        return [cut.row[plain.at], cut.row[pinged]]

    def _walk(self, block: _Block) -> None:
        """Take what is not plain through the sessions, in the order of the capture."""
        for step in sorted(block.steps, key=lambda step: step.place):
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

    def _packet(self, block: _Block, step: _Step, what: Packet) -> None:
        c = step.connection
        if isinstance(what, Connack) and what.client and not what.code and not c.client:
            c.name(what.client, step.place.number)
        topic = self._sessions.packet(c, step.half, step.t_ns, what)
        if isinstance(what, Publish) and topic is not None:
            flags = what.qos, what.retain, what.duplicate
            row = _Row(step.place, c, step.half, step.t_ns, topic, what.payload, *flags)
            block.rows.append(row)


def _version(cut: Cut, *, from_client: bool) -> int | None:
    """The version of a half by its packets, where the CONNECT was not captured."""
    for at in range(len(cut)):
        version = told_version(int(cut.first[at]), cut.body_of(at), from_client=from_client)
        if version is not None:
            return version
    return None


def _hole(c: MqttConnection, half: int, part: Part, lost: Lost) -> Hole:
    before = np.flatnonzero((part.half[: lost.row] == half) & (part.what[: lost.row] <= What.HOLE))
    until_ns = int(part.t_ns[lost.row])
    since_ns = int(part.t_ns[before[-1]]) if len(before) else c.came_ns[half]
    return Hole(c.label, min(since_ns or until_ns, until_ns), until_ns, lost.missing)


def _not_before(part: Part, number: int) -> Part:
    """A part whose rows came to light with a frame at the earliest."""
    held = np.maximum(part.number, number)
    rest = part.what, part.half, held, part.t_ns, part.start, part.length, part.data
    return Part(part.connection, *rest)


def _step(
    c: MqttConnection,
    half: int,
    part: Part,
    row: int,
    k: int,
    what: Packet | MalformedError | Lost | Unread | What,
    first: int | None = None,
) -> _Step:
    place = _Place(int(part.number[row]), c.tcp.serial, row + c.rows_before, k)
    return _Step(place, c, half, int(part.t_ns[row]), what, first)


def _connected(c: MqttConnection, cut: Cut, number: int) -> Packet | MalformedError:
    """Read the CONNECT a connection begins with, by which all the rest is read."""
    c.whole = True
    found = _read(c, c.client_half, int(cut.first[0]), cut.body_of(0), 4)
    c.versions = [4, 4]
    if isinstance(found, Connect):
        c.connect = found
        c.versions = [found.version, found.version]
        c.name(found.client, number)
    return found


def _read(
    c: MqttConnection, half: int, first: int, body: bytes, version: int
) -> Packet | MalformedError:
    try:
        return packet(first, body, version, from_client=half == c.client_half)
    except MalformedError as error:
        return error


def _messages(block: _Block) -> Messages:
    """The messages of a block, in the order of the capture."""
    if not block.many and not block.rows:
        return NO_MESSAGES
    rows = block.rows
    numbers = np.array([[*row.place, row.t_ns] for row in rows], np.int64).reshape(-1, 5)
    columns = [
        np.concatenate([numbers, *map(_numbers_of_many, block.many)]),
        np.concatenate([_flags_of_rows(rows), *map(_flags_of_many, block.many)]),
    ]
    topics, payloads = [row.topic for row in rows], [row.payload for row in rows]
    clients = [row.connection.named(row.place.number) for row in rows]
    for many in block.many:
        topics += many.plain.topics
        payloads += many.plain.payloads
        clients += _clients_of_many(many)
    (number, serial, row, k, _), order = columns[0].T, None
    if len(block.many) + bool(rows) > 1:
        order = np.lexsort((k, row, serial, number))
        columns = [column[order] for column in columns]
        payloads = list(map(payloads.__getitem__, order.tolist()))
    topic, topic_texts = coded(topics)
    client, client_texts = coded(clients)
    return Messages(
        t_ns=columns[0][:, 4].copy(),
        line=columns[0][:, 0].copy(),
        topic=topic if order is None else topic[order],
        topics=topic_texts,
        client=client if order is None else client[order],
        clients=client_texts,
        direction=columns[1][:, 0].copy(),
        first=offsets(np.fromiter(map(len, payloads), np.int64, len(payloads))),
        data=np.frombuffer(b"".join(payloads), np.uint8),
        qos=columns[1][:, 1].astype(np.int8),
        retain=columns[1][:, 2].astype(np.bool_),
        duplicate=columns[1][:, 3].astype(np.bool_),
    )


def _numbers_of_many(many: _Many) -> Int64s:
    """int64[n, 5]: the place of each message, and its time."""
    serial = np.full(len(many.number), many.connection.tcp.serial, np.int64)
    return np.stack([many.number, serial, many.row, many.k, many.t_ns], axis=1)


def _flags_of_many(many: _Many) -> npt.NDArray[np.uint8]:
    """uint8[n, 4]: direction, QoS, RETAIN and DUP of each message."""
    flags = np.zeros((len(many.number), 4), np.uint8)
    flags[:, 0] = _direction(many.connection, many.half)
    flags[:, 2] = many.plain.retain
    return flags


def _flags_of_rows(rows: Sequence[_Row]) -> npt.NDArray[np.uint8]:
    found = [
        (_direction(row.connection, row.half), row.qos, row.retain, row.duplicate) for row in rows
    ]
    return np.array(found, np.uint8).reshape(-1, 4)


def _clients_of_many(many: _Many) -> list[str]:
    c, n = many.connection, len(many.number)
    if c.names[-1][0] <= many.number[0]:
        return [c.client] * n
    return [c.named(number) for number in many.number.tolist()]


def _direction(c: MqttConnection, half: int) -> int:
    return _TO_BROKER if half == c.client_half else _FROM_BROKER
