"""The packets of a connection, sorted: plain messages as columns, everything else as steps.

Plain messages and pings need nothing but to be noted; of the rest each packet is read by itself and
goes through the sessions later, in the order of the capture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from decoders.captures.pcap_frames import Int64s
from decoders.captures.tcp_connections import Part, What
from decoders.messages.mqtt_block import Block, Many, step_at
from decoders.messages.mqtt_bulk import pings, plain_publishes
from decoders.messages.mqtt_bytes import MalformedError
from decoders.messages.mqtt_connect import Connect
from decoders.messages.mqtt_connection import MqttConnection
from decoders.messages.mqtt_packets import Packet, packet
from decoders.messages.mqtt_stream import Broken, Cut, Lost
from decoders.messages.mqtt_versions import told_version
from decoders.messages.mqtt_words import CONNECT

_MOST_HOLES = 1000


@dataclass(frozen=True, slots=True)
class Hole:
    """Bytes of a connection that were sent and not captured."""

    client: str
    from_ns: int  # when the last bytes before them had come
    until_ns: int  # when the first behind them had
    missing: int


class PacketSorter:
    """A fold from the parts of MQTT connections to what a block holds.

    Attributes:
        holes: the first 1000.
        begun_before: connections of which the CONNECT was not captured.
    """

    def __init__(self) -> None:
        self.holes: list[Hole] = []
        self.begun_before = 0

    def feed(self, block: Block, c: MqttConnection, part: Part) -> bool:
        """Add to a block what a part of a connection brought; return whether it ends there."""
        for half in (c.client_half, 1 - c.client_half):
            spoke = self._half(block, c, half, part)
            if half == c.client_half:
                c.spoke(part.number[spoke], part.t_ns[spoke])
                block.heard[c.tcp.serial] = c
        for half in (0, 1):
            came = part.t_ns[(part.half == half) & (part.what <= What.HOLE)]
            c.came_ns[half] = int(came[-1]) if len(came) else c.came_ns[half]
        ends = np.flatnonzero(part.what >= What.FIN).tolist()
        for row in ends:
            end = What(int(part.what[row]))
            block.steps.append(step_at(c, int(part.half[row]), part, row, 0, end))
        c.ends_seen += len(ends)
        c.rows_before += len(part)
        return bool(ends) and (int(part.what[-1]) >= What.RST or c.ends_seen > 1)

    def _half(self, block: Block, c: MqttConnection, half: int, part: Part) -> Int64s:
        """Take what one half sent; return the rows in which plain packets came, sorted."""
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
            block.steps.append(step_at(c, half, part, found.row, k, what))
            k += 1
        return np.sort(np.concatenate(spoke))

    def _cut(
        self, block: Block, c: MqttConnection, half: int, part: Part, cut: Cut, k: int
    ) -> list[Int64s]:
        """Take whole packets; return the rows in which plain ones came."""
        read = self._begun(c, half, part, cut)
        if c.versions[half] is None:
            c.versions[half] = _version(cut, from_client=half == c.client_half)
        version = c.version(half)
        plain = plain_publishes(cut, version, c.topics)
        pinged = pings(cut, from_client=half == c.client_half)
        block.packets += len(cut)
        if len(plain.at):
            row = cut.row[plain.at]
            keys = part.number[row], part.t_ns[row], row + c.rows_before, plain.at + k
            block.many.append(Many(c, half, *keys, plain))
        others = np.ones(len(cut), np.bool_)
        others[plain.at] = others[pinged] = False
        for at in np.flatnonzero(others).tolist():
            first = int(cut.first[at])
            what = read.get(at) or _read(c, half, first, cut.body_of(at), version)
            block.steps.append(step_at(c, half, part, int(cut.row[at]), k + at, what, first))
        return [cut.row[plain.at], cut.row[pinged]]

    def _begun(
        self, c: MqttConnection, half: int, part: Part, cut: Cut
    ) -> dict[int, Packet | MalformedError]:
        """Read the CONNECT, where these are the first packets of the client: by their place."""
        is_first, c.begun[half] = not c.begun[half], True
        if not is_first or half != c.client_half:
            return {}
        if cut.first[0] >> 4 == CONNECT:
            return {0: _connected(c, cut, int(part.number[cut.row[0]]))}
        self.begun_before += 1
        return {}


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
