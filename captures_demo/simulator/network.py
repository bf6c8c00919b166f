"""Messages between parties over a broker: each hop has a latency, and may lose or repeat.

A hop keeps the order of what it carries, as one TCP connection does; its latency has a floor and a
one-sided spread, as measured networks have.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

from captures_demo.simulator.clocks import Clock
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.run import MessageRow, MessageTruth
from captures_demo.simulator.schedule import Mailbox, Schedule

TO_BROKER, FROM_BROKER = "to-broker", "from-broker"


@dataclass(slots=True)
class Hop:
    """One direction between a party and the broker.

    Args:
        dice: its randomness.
        floor_ns: least latency.
        mean_ns: mean of what comes on top, exponential.
        slow_rate: how many are much slower than that, a part of 1.
        slow_ns: mean of what those take more.
        loss_rate: how many are lost, a part of 1.
        loses: topics and the numbers (from 1, of that topic on this hop) that are lost for certain.
        repeats: the same for those that arrive twice.
    """

    dice: Dice
    floor_ns: int = 800_000
    mean_ns: int = 900_000
    slow_rate: float = 0.0
    slow_ns: int = 40_000_000
    loss_rate: float = 0.0
    loses: dict[str, Collection[int]] = field(default_factory=dict)
    repeats: dict[str, Collection[int]] = field(default_factory=dict)
    _carried: dict[str, int] = field(default_factory=dict)
    _last_ns: int = 0

    def carry(self, topic: str, now_ns: int) -> list[int]:
        """True arrival times: one, none when it is lost, two when it is repeated."""
        number = self._carried[topic] = self._carried.get(topic, 0) + 1
        late = self.dice.exponential(self.mean_ns)
        if self.dice.chance(self.slow_rate):
            late += self.dice.exponential(self.slow_ns)
        lost = self.dice.chance(self.loss_rate) or number in self.loses.get(topic, ())
        if lost:
            return []
        first_ns = max(now_ns + self.floor_ns + int(late), self._last_ns + 1)
        self._last_ns = first_ns
        if number in self.repeats.get(topic, ()):
            self._last_ns = first_ns + self.floor_ns
            return [first_ns, self._last_ns]
        return [first_ns]


@dataclass(frozen=True, slots=True)
class Message:
    """What is handed to a subscriber."""

    topic: str
    payload: str


@dataclass(slots=True)
class _Way:
    """A subscription: what a party asked for and how it gets there."""

    client: str
    topic: str
    hop: Hop
    box: Mailbox[Message]


class Broker:
    """Takes messages, records them with the host's stamps, hands them on.

    Args:
        schedule: the run's event queue.
        host: clock of the host it runs and is recorded on.
        records_clients: the recording says whose each message is, and has those handed on as well.
    """

    def __init__(self, schedule: Schedule, host: Clock, *, records_clients: bool = False) -> None:
        self.host = host
        self.records_clients = records_clients
        self.rows: list[MessageRow] = []
        self.messages: list[MessageTruth] = []
        self._schedule = schedule
        self._ways: list[_Way] = []

    def subscribe(self, topic: str, hop: Hop, client: str = "") -> Mailbox[Message]:
        """Where the messages of one topic arrive for a party behind that hop."""
        box: Mailbox[Message] = Mailbox(self._schedule)
        self._ways.append(_Way(client, topic, hop, box))
        return box

    def unsubscribe(self, client: str) -> None:
        """Forget what a client asked for: its session is clean."""
        self._ways = [way for way in self._ways if way.client != client]

    def record(self, topic: str, payload: str, *, qos: int = 0, **marks: object) -> None:
        """Put a message into the recording now, as it passes; `marks` are columns of the row."""
        t_us = self.host.read(self._schedule.now_ns) // 1_000
        marks = {"retain": False, **marks}
        if not self.records_clients:
            marks |= {"client": "", "direction": ""}
        self.rows.append(MessageRow(t_us, topic, payload, qos, **marks))  # type: ignore[arg-type]

    def publish(
        self, sender: str, topic: str, payload: str, hop: Hop, *, qos: int = 0, retain: bool = False
    ) -> None:
        """Send a message to the broker over the sender's hop."""
        now_ns = self._schedule.now_ns
        arrivals = hop.carry(topic, now_ns)
        at_ns, lost = (arrivals[0], "") if arrivals else (-1, TO_BROKER)
        truth = MessageTruth(sender, topic, payload, now_ns, at_ns, lost, len(arrivals))
        self.messages.append(truth)
        for copy, arrival_ns in enumerate(arrivals):
            arrived = (len(self.messages) - 1, payload, qos, retain, copy > 0)
            self._schedule.at(arrival_ns, self._arrived, arrived)

    def _arrived(self, arrived: tuple[int, str, int, bool, bool]) -> None:
        number, payload, qos, retain, again = arrived
        message = self.messages[number]
        topic, sender = message.topic, message.sender
        self.record(
            topic,
            payload,
            qos=qos,
            retain=retain,
            dup=again,
            client=sender,
            direction=TO_BROKER,
        )
        for way in self._ways:
            if way.topic == topic:
                arrivals = way.hop.carry(topic, self._schedule.now_ns)
                for arrival_ns in arrivals:
                    self._schedule.at(arrival_ns, way.box.put, Message(topic, payload))
                if not arrivals:
                    message.lost = FROM_BROKER
                if arrivals and self.records_clients:
                    self.record(topic, payload, qos=qos, client=way.client, direction=FROM_BROKER)
