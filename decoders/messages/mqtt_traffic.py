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
    tables = [_table_of_many(many) for many in block.many]
    places = [
        np.stack([m.number, np.full_like(m.number, m.connection.tcp.serial), m.row, m.k])
        for m in block.many
    ]
    if block.rows:
        tables.append(_table_of_rows(block.rows))
        places.append(np.array([row.place for row in block.rows], np.int64).T)
    if not tables:
        return NO_MESSAGES
    joined = Messages.concat(tables)
    if len(tables) == 1:
        return joined
    number, serial, row, k = np.concatenate(places, axis=1)
    return joined.in_order(np.lexsort((k, row, serial, number)))


def _table_of_many(many: _Many) -> Messages:
    n, plain = len(many.number), many.plain
    has_changed = many.connection.names[-1][0] > many.number[0]
    codes, name = np.zeros(n, np.int32), many.connection.client
    return _table(
        many.number,
        many.t_ns,
        coded(many.connection.named(many.number)) if has_changed else (codes, (name,)),
        np.full(n, _direction(many.connection, many.half), np.uint8),
        plain.topics,
        plain.payloads,
        np.zeros(n, np.int8),
        plain.retain,
        np.zeros(n, np.bool_),
    )


def _table_of_rows(rows: Sequence[_Row]) -> Messages:
    number = np.array([row.place.number for row in rows], np.int64)
    return _table(
        number,
        np.array([row.t_ns for row in rows], np.int64),
        coded([row.connection.named(number[k : k + 1])[0] for k, row in enumerate(rows)]),
        np.array([_direction(row.connection, row.half) for row in rows], np.uint8),
        [row.topic for row in rows],
        [row.payload for row in rows],
        np.array([row.qos for row in rows], np.int8),
        np.array([row.retain for row in rows], np.bool_),
        np.array([row.duplicate for row in rows], np.bool_),
    )


def _direction(c: MqttConnection, half: int) -> int:
    return _TO_BROKER if half == c.client_half else _FROM_BROKER


def _table(
    number: Int64s,
    t_ns: Int64s,
    clients: tuple[npt.NDArray[np.int32], tuple[str, ...]],
    direction: npt.NDArray[np.uint8],
    topics: Sequence[str],
    payloads: Sequence[bytes],
    qos: npt.NDArray[np.int8],
    retain: npt.NDArray[np.bool_],
    duplicate: npt.NDArray[np.bool_],
) -> Messages:
    topic, topic_texts = coded(topics)
    return Messages(
        t_ns=t_ns,
        line=number,
        topic=topic,
        topics=topic_texts,
        client=clients[0],
        clients=clients[1],
        direction=direction,
        first=offsets([len(payload) for payload in payloads]),
        data=np.frombuffer(b"".join(payloads), np.uint8),
        qos=qos,
        retain=retain,
        duplicate=duplicate,
    )
