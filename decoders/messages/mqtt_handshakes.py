"""Which packets were answered: PUBLISH of QoS 1 and 2, SUBSCRIBE and UNSUBSCRIBE.

By MQTT 3.1.1 and 5.0 sections 4.3, 4.4 and 3.8 to 3.11. Client and server number independently
(3.1.1 section 2.3.1), so a handshake is known by who began it and by its identifier. What was in
flight when bytes of the connection were not captured may have been answered in them: of that
nothing is claimed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from decoders.messages.mqtt_packets import Ack, Publish, Subscribe
from decoders.messages.mqtt_words import (
    NAMES,
    PUBACK,
    PUBCOMP,
    PUBLISH,
    PUBREC,
    PUBREL,
    SUBACK,
    SUBSCRIBE,
    UNSUBACK,
)


class Broken(NamedTuple):
    """A rule of the protocol that a packet breaks, all well-formed as it is."""

    clause: str
    what: str


@dataclass(slots=True)
class Handshake:
    """One that has begun.

    Attributes:
        type: packet that began it.
        qos: of a PUBLISH.
        awaits: the packet type that comes next; 0 when it ended with a failure.
        t_ns: when it began.
        subject: the topic, or the first filter.
        connection: serial of the connection its PUBLISH was last sent on.
        is_doubtful: whether what it awaits may have come unseen.
    """

    type: int
    qos: int
    awaits: int
    t_ns: int
    subject: str
    connection: int
    is_doubtful: bool = False


@dataclass(slots=True)
class Tally:
    """How many handshakes of a kind there were."""

    completed: int = 0
    refused: int = 0  # ended by a reason code of 0x80 and above
    unfinished: int = 0


@dataclass(slots=True)
class InFlight:
    """A fold from the packets of one session to its handshakes; at most 65,535 each way.

    Args:
        tallies: by kind; those of all sessions may be one.
    """

    tallies: dict[str, Tally] = field(default_factory=dict)
    begun: dict[tuple[bool, int], Handshake] = field(default_factory=dict)  # (by the client?, id)

    def publish(
        self,
        packet: Publish,
        topic: str,
        t_ns: int,
        connection: int,
        *,
        version: int,
        from_client: bool,
    ) -> Broken | None:
        """Take a PUBLISH of QoS 1 or 2; its topic may have been said by an alias."""
        key = from_client, packet.packet_id
        before = self.begun.get(key)
        new = Handshake(
            PUBLISH,
            packet.qos,
            PUBACK if packet.qos == 1 else PUBREC,
            t_ns,
            topic,
            connection,
        )
        if before is None or not before.awaits:
            self.begun[key] = new
            return None
        if not packet.duplicate:
            self.begun[key] = new
            return None if before.is_doubtful else _in_use(packet.packet_id, version, from_client)
        if before.awaits == PUBCOMP:
            clause = "MQTT-4.3.3-6" if version >= 5 else "MQTT-4.3.3-1"
            return Broken(clause, f"PUBLISH {packet.packet_id} sent again after its PUBREL")
        again = before.connection == connection
        before.connection = connection
        if again and version >= 5:
            what = f"PUBLISH {packet.packet_id} sent again on the same connection"
            return Broken("MQTT-4.4.0-1", what)
        return None

    def subscribe(
        self, packet: Subscribe, t_ns: int, connection: int, *, version: int
    ) -> Broken | None:
        """Take a SUBSCRIBE or UNSUBSCRIBE."""
        key = True, packet.packet_id
        before = self.begun.get(key)
        awaits = SUBACK if packet.type == SUBSCRIBE else UNSUBACK
        subject = packet.filters[0][0]
        self.begun[key] = Handshake(packet.type, 0, awaits, t_ns, subject, connection)
        if before is None or not before.awaits or before.is_doubtful:
            return None
        return _in_use(packet.packet_id, version, from_client=True)

    def ack(self, packet: Ack, *, from_client: bool) -> Broken | None:
        """Take what answers, a PUBREL among it."""
        by_client = from_client if packet.type == PUBREL else not from_client
        key = by_client, packet.packet_id
        found = self.begun.get(key)
        if found is None:
            return None  # answered before, or begun before the capture
        if not found.awaits:
            if packet.type == PUBREL:
                what = f"PUBREL {packet.packet_id} after a PUBREC that refused it"
                return Broken("MQTT-4.3.3-4", what)
            return None
        if packet.type != found.awaits:
            return _out_of_turn(found, packet)
        if packet.type in (PUBREC, PUBREL) and not packet.is_failure:
            found.awaits = PUBREL if packet.type == PUBREC else PUBCOMP
            return None
        tally = self._tally(found)
        if not packet.is_failure:
            tally.completed += 1
            del self.begun[key]
            return None
        tally.refused += 1
        found.awaits = 0  # kept until its identifier is used again: a PUBREL must not follow
        return None

    def doubt(self) -> None:
        """Bytes of the connection were not captured."""
        for handshake in self.begun.values():
            handshake.is_doubtful = True

    def unfinished(self, before_ns: int | None) -> list[tuple[bool, int, Handshake]]:
        """Take out the handshakes that will not be completed: who began it, identifier, and what.

        Args:
            before_ns: those begun later are left out, as they may be completed behind the capture.
        """
        found = []
        for (by_client, packet_id), handshake in self.begun.items():
            is_fresh = before_ns is not None and handshake.t_ns > before_ns
            if handshake.awaits and not handshake.is_doubtful and not is_fresh:
                self._tally(handshake).unfinished += 1
                found.append((by_client, packet_id, handshake))
        self.begun.clear()
        return found

    def _tally(self, handshake: Handshake) -> Tally:
        name = f"QoS {handshake.qos}" if handshake.type == PUBLISH else NAMES[handshake.type]
        return self.tallies.setdefault(name, Tally())


def _in_use(packet_id: int, version: int, from_client: bool) -> Broken:
    """MQTT 3.1.1 [MQTT-2.3.1-2]; 5.0 [MQTT-2.2.1-3] of clients, [MQTT-2.2.1-4] of servers."""
    clause = "MQTT-2.3.1-2"
    if version >= 5:
        clause = "MQTT-2.2.1-3" if from_client else "MQTT-2.2.1-4"
    return Broken(clause, f"packet identifier {packet_id} used again before it was free")


def _out_of_turn(found: Handshake, packet: Ack) -> Broken | None:
    """An answer that is not the one whose turn it is; repeats of earlier ones are let pass."""
    is_repeat = (packet.type, found.awaits) in {
        (PUBREC, PUBREL), (PUBREC, PUBCOMP), (PUBREL, PUBCOMP),
    }  # fmt: skip
    if is_repeat or found.is_doubtful:
        return None
    what = f"{NAMES[packet.type]} {packet.packet_id} in place of {NAMES[found.awaits]}"
    return Broken("MQTT section 4.3", what)
