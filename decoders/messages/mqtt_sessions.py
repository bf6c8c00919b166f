"""What MQTT connections did, packet by packet in the order of the capture: a fold to happenings.

It knows who connected, which handshakes were completed, who fell silent for longer than the keep
alive allows, and how each connection ended. Nothing is claimed of what may have been in bytes that
were not captured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from decoders.messages.mqtt_bytes import MalformedError
from decoders.messages.mqtt_clients import Clients
from decoders.messages.mqtt_connect import Connack, Connect
from decoders.messages.mqtt_connection import MqttConnection, Silence
from decoders.messages.mqtt_handshakes import Broken, Handshake, InFlight, Tally
from decoders.messages.mqtt_happenings import ConnectionEvent, Happening, seconds
from decoders.messages.mqtt_packets import Ack, Disconnect, Packet, Publish, Subscribe, name_of
from decoders.messages.mqtt_words import (
    FAILURE,
    KEEP_ALIVE_TIMEOUT,
    NAMES,
    PUBREL,
    TAKEN_OVER,
    VERSIONS,
    WITH_WILL,
    reason,
    return_code,
)

_MOST_STORED = 4096  # sessions kept for clients that are away
_FRESH_NS = (
    1_000_000_000  # a handshake begun so late in a capture may have been completed behind it
)
_EARLY = 0.98  # brokers' timers may fire a little before what the capture measures
_SIDES = ("the broker", "the client")


@dataclass(slots=True)
class SessionFacts:
    """What was counted."""

    connects: int = 0
    packets: int = 0
    handshakes: dict[str, Tally] = field(default_factory=dict)


class Sessions:
    """A fold from control packets to what happened to connections."""

    def __init__(self) -> None:
        self.facts = SessionFacts()
        self._clients = Clients()
        self._stored: dict[str, InFlight] = {}  # of clients that are away
        self._rows: list[ConnectionEvent] = []
        self._number = 0

    def take(self) -> list[ConnectionEvent]:
        """The rows since the last call, by the frames that brought them to light."""
        rows, self._rows = self._rows, []
        return sorted(rows, key=lambda row: row.number)

    def at(self, number: int) -> None:
        """What comes next came to light with this frame."""
        self._number = number

    def new_in_flight(self) -> InFlight:
        """Handshakes of a new connection."""
        return InFlight(self.facts.handshakes)

    def heard(self, c: MqttConnection, number: int) -> None:
        """Take in the plain packets of a client up to a frame."""
        self._silences(c, c.hear(number))

    def packet(self, c: MqttConnection, half: int, t_ns: int, packet: Packet) -> str | None:
        """Take a control packet.

        Returns:
            Of a PUBLISH the topic, also where an alias stands for it; None where that is not known.
        """
        from_client = half == c.client_half
        if from_client:
            self._silences(c, c.active(self._number, t_ns))
        self._check_turn(c, half, t_ns, packet)
        match packet:
            case Connect():
                self._connect(c, t_ns, packet)
            case Connack():
                self._connack(c, t_ns, packet)
            case Publish():
                return self._publish(c, half, t_ns, packet)
            case Ack():
                self._ack(c, half, t_ns, packet)
            case Subscribe():
                found = c.in_flight.subscribe(packet, t_ns, c.tcp.serial, version=c.version(half))
                self._broken(c, t_ns, found)
            case Disconnect():
                self._disconnect(c, half, t_ns, packet)
        return None

    def malformed(
        self, c: MqttConnection, half: int, t_ns: int, first: int | None, error: MalformedError
    ) -> None:
        """A packet broke the standard; first byte None: it is not known which."""
        if half == c.client_half:
            self._silences(c, c.active(self._number, t_ns))
        what = "a packet" if first is None else name_of(first)
        side = _SIDES[half == c.client_half]
        self._tell(c, t_ns, Happening.MALFORMED, f"[{error.clause}] {what} of {side}: {error.what}")

    def lost(self, c: MqttConnection, half: int, t_ns: int, missing: int) -> None:
        """Bytes of a half were sent and not captured."""
        c.lost = True
        c.in_flight.doubt()
        what = f"{missing:,} bytes of {_SIDES[half == c.client_half]} were not captured"
        self._tell(c, t_ns, Happening.LOST, what)

    def unread(self, c: MqttConnection, t_ns: int, first: int, length: int, missing: int) -> None:
        """A packet is not there as a whole."""
        why = f"{missing:,} of its bytes were not captured"
        what = f"{name_of(first)} of {length:,} bytes is not read: "
        self._tell(c, t_ns, Happening.UNREAD, what + (why if missing else "it is too large"))

    def ended(self, c: MqttConnection, half: int, t_ns: int, how: str) -> None:
        """A side closed or broke off the connection."""
        if c.is_over:
            return
        c.is_over = True
        refused = c.connack is not None and c.connack.code
        is_told = c.is_taken_over or refused or not c.client
        successor = None if is_told else self._clients.successor(c)
        by_broker = half != c.client_half
        silence_ns, limit_ns = c.silence_ns(t_ns), c.limit_ns
        if successor is not None and c.goodbye != c.client_half:
            self._rows += self._clients.taken_over(c, successor, self._number, t_ns)
        elif by_broker and limit_ns and silence_ns >= limit_ns * _EARLY and c.goodbye is None:
            self._keep_alive(c, t_ns, silence_ns, f"{_SIDES[0]} {how} the connection")
        elif not c.is_taken_over and c.goodbye is None and not refused:
            what = f"{_SIDES[not by_broker]} {how} the connection without a DISCONNECT"
            what += f", {seconds(silence_ns)} after the client's last packet{_will(c)}"
            self._tell(c, t_ns, Happening.DROPPED, what)
        self._put_away(c, "the connection ended")

    def gone(self, c: MqttConnection) -> None:
        """It is followed no more."""
        if not c.is_over:
            c.is_over = True
            c.in_flight.doubt()
            self._put_away(c, "")

    def cut(self, c: MqttConnection, t_ns: int) -> None:
        """The capture ended while it was open, or half closed."""
        if c.is_over:
            return
        c.is_over = True
        silence_ns, limit_ns = c.silence_ns(t_ns), c.limit_ns
        if limit_ns and silence_ns > limit_ns and c.goodbye is None:
            what = "the broker had not ended the connection when the capture ended"
            self._keep_alive(c, c.last_client_ns + limit_ns, silence_ns, what)
        self._unfinished(c.label, c.in_flight, "the capture ended", t_ns - _FRESH_NS)
        self._clients.over(c)

    def finish(self, number: int, t_ns: int) -> None:
        """The capture ended: what clients that are away never completed."""
        self._number = number
        for client, in_flight in self._stored.items():
            self._unfinished(client, in_flight, "the capture ended", t_ns - _FRESH_NS)
        self._stored.clear()

    def _tell(self, c: MqttConnection, t_ns: int, what: Happening, detail: str) -> None:
        self._rows.append(ConnectionEvent(self._number, t_ns, what, c.label, detail))

    def _broken(self, c: MqttConnection, t_ns: int, found: Broken | None) -> None:
        if found is not None:
            self._tell(c, t_ns, Happening.VIOLATION, f"[{found.clause}] {found.what}")

    def _silences(self, c: MqttConnection, silences: Sequence[Silence]) -> None:
        """The client spoke again, and the broker had let it be silent for too long."""
        clause = "MQTT-3.1.2-22" if c.version(c.client_half) >= 5 else "MQTT-3.1.2-24"
        for number, from_ns, until_ns in silences if not c.lost else ():
            what = f"[{clause}] silent for {seconds(until_ns - from_ns)}, more than 1.5 times its "
            what += f"keep alive of {c.keep_alive_s} s, and not disconnected"
            kind = Happening.VIOLATION
            self._rows.append(ConnectionEvent(number, until_ns, kind, c.label, what))

    def _check_turn(self, c: MqttConnection, half: int, t_ns: int, packet: Packet) -> None:
        """Packets that may not come now."""
        is_5 = c.version(half) >= 5
        if c.goodbye == half:
            clause = "MQTT-3.14.4-1" if is_5 else "MQTT-3.14.4-2"
            self._broken(c, t_ns, Broken(clause, "a packet after its sender's DISCONNECT"))
        if not c.whole or c.lost or half == c.client_half or c.connack is not None:
            return
        is_early = isinstance(packet, Publish | Subscribe) or (
            isinstance(packet, Ack) and packet.type != PUBREL
        )
        if is_early:
            self._broken(c, t_ns, Broken("MQTT-3.2.0-1", "the broker sends before its CONNACK"))

    def _connect(self, c: MqttConnection, t_ns: int, packet: Connect) -> None:
        if c.connect is not packet:
            self._broken(c, t_ns, Broken("MQTT-3.1.0-2", "a second CONNECT"))
            return
        self.facts.connects += 1
        c.keep_alive_s = packet.keep_alive_s
        if packet.client:
            self._clients.claim(c)
        self._tell(c, t_ns, Happening.CONNECT, f"from {c.client_end}: {_asked(packet)}")

    def _connack(self, c: MqttConnection, t_ns: int, packet: Connack) -> None:
        is_second, c.connack = c.connack is not None, packet
        if is_second:
            self._broken(c, t_ns, Broken("MQTT section 3.2", "a second CONNACK"))
            return
        words = return_code(packet.code, c.version(1 - c.client_half))
        if packet.code:
            self._tell(c, t_ns, Happening.REFUSED, f"from {c.client_end}: {words}")
            self._clients.refuse(c)
            return
        if packet.keep_alive_s is not None:
            c.keep_alive_s = packet.keep_alive_s
            words += f", keep alive {packet.keep_alive_s} s"
        words += ", session resumed" if packet.session_present else ", no session kept"
        self._tell(c, t_ns, Happening.ACCEPTED, words)
        old = c.rival
        if old is not None and not old.is_over and not old.is_taken_over:
            self._rows += self._clients.taken_over(old, c, self._number, t_ns)
        self._resume(c, packet, old)

    def _resume(self, c: MqttConnection, packet: Connack, old: MqttConnection | None) -> None:
        """Take up what the session had in flight, or tell that it will not be completed."""
        kept = self._stored.pop(c.client, None)
        if old is not None and not old.is_over and old.keeps_session:
            kept, old.in_flight = old.in_flight, self.new_in_flight()
        if kept is None:
            return
        if packet.session_present:
            kept.begun.update(c.in_flight.begun)
            c.in_flight = kept
        else:
            self._unfinished(c.label, kept, "the session was discarded", None)

    def _publish(self, c: MqttConnection, half: int, t_ns: int, packet: Publish) -> str | None:
        from_client = half == c.client_half
        topic = c.topic_of(packet.alias, packet.topic, half)
        if topic is None and c.whole and not c.lost:
            what = f"topic alias {packet.alias} before it was given a topic"
            self._broken(c, t_ns, Broken("MQTT 5.0 section 3.3.2.3.4", what))
        if packet.qos:
            found = c.in_flight.publish(
                packet,
                topic or "",
                t_ns,
                c.tcp.serial,
                version=c.version(half),
                from_client=from_client,
            )
            self._broken(c, t_ns, found)
        return topic

    def _ack(self, c: MqttConnection, half: int, t_ns: int, packet: Ack) -> None:
        name = NAMES[packet.type]
        failed = [code for code in packet.codes if code >= FAILURE]
        if packet.is_failure:
            what = f"{name} {packet.packet_id}: {reason(packet.reason)}"
            self._tell(c, t_ns, Happening.REFUSED_MESSAGE, what)
        elif failed:
            words = reason(failed[0]) if c.version(half) >= 5 else "failure"
            what = f"{name} {packet.packet_id}: {len(failed)} of {len(packet.codes)} filters "
            self._tell(c, t_ns, Happening.REFUSED_MESSAGE, what + f"refused: {words}")
        found = c.in_flight.ack(packet, from_client=half == c.client_half)
        self._broken(c, t_ns, found)

    def _disconnect(self, c: MqttConnection, half: int, t_ns: int, packet: Disconnect) -> None:
        from_client = half == c.client_half
        c.goodbye = half
        if not from_client and packet.reason == TAKEN_OVER:
            successor = self._clients.successor(c) if c.client else None
            if not c.is_taken_over:
                self._rows += self._clients.taken_over(c, successor, self._number, t_ns)
        elif not from_client and packet.reason == KEEP_ALIVE_TIMEOUT:
            what = "the broker ended the connection (0x8D)"
            self._keep_alive(c, t_ns, c.silence_ns(t_ns), what)
        else:
            words = f": {reason(packet.reason)}" if packet.reason else ""
            words += _will(c) if packet.reason == WITH_WILL else ""
            self._tell(c, t_ns, Happening.DISCONNECT, f"by {_SIDES[from_client]}{words}")

    def _keep_alive(self, c: MqttConnection, t_ns: int, silence_ns: int, what: str) -> None:
        what = f"silent for {seconds(silence_ns)} with a keep alive of {c.keep_alive_s} s; {what}"
        self._tell(c, t_ns, Happening.KEEP_ALIVE, what + _will(c))

    def _put_away(self, c: MqttConnection, until: str) -> None:
        """Keep what is in flight if the session outlives the connection, else tell of it."""
        if c.keeps_session and c.client:
            if len(self._stored) >= _MOST_STORED:
                del self._stored[next(iter(self._stored))]
            if c.in_flight.begun:
                self._stored[c.client] = c.in_flight
        else:
            self._unfinished(c.label, c.in_flight, until, None)
        c.in_flight = self.new_in_flight()
        self._clients.over(c)

    def _unfinished(
        self, label: str, in_flight: InFlight, until: str, before_ns: int | None
    ) -> None:
        """Tell of handshakes that were not completed.

        Args:
            label: the client.
            in_flight: its handshakes; emptied.
            until: what ended the waiting.
            before_ns: those begun later are not told.
        """
        for by_client, packet_id, found in in_flight.unfinished(before_ns):
            what = f"{_began(found)}, identifier {packet_id}, of {_SIDES[by_client]}: "
            what += f"no {NAMES[found.awaits]} until {until}"
            kind = Happening.HALF_HANDSHAKE
            self._rows.append(ConnectionEvent(self._number, found.t_ns, kind, label, what))


def _began(found: Handshake) -> str:
    qos = f" of QoS {found.qos}" if found.qos else ""
    return f"{NAMES[found.type]}{qos} on {found.subject}"


def _asked(packet: Connect) -> str:
    """What a CONNECT asks for, in words."""
    keep = f"keep alive {packet.keep_alive_s} s" if packet.keep_alive_s else "no keep alive"
    words = [VERSIONS[packet.version], keep, "clean" if packet.clean else "keeping its session"]
    if packet.will is not None:
        retained = ", retained" if packet.will.retain else ""
        words.append(f"will on {packet.will.topic} (QoS {packet.will.qos}{retained})")
    given = [word for word, has in _given(packet) if has]
    return ", ".join([*words, *([f"with {' and '.join(given)}"] if given else [])])


def _given(packet: Connect) -> tuple[tuple[str, bool], ...]:
    return ("user name", packet.has_user), ("password", packet.has_password)


def _will(c: MqttConnection) -> str:
    """That the will is due, where there is one."""
    will = c.connect.will if c.connect is not None and c.is_accepted else None
    return f"; its will on {will.topic} is due" if will is not None else ""
