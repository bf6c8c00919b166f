"""What the broker says of its clients, and the board's connection to it.

The broker publishes its log on BROKER_LOG (topics that begin with `$` are the broker's own, MQTT
3.1.1 section 4.7.2), one JSON object a message: `event` is `connect`, `subscribe`, `disconnect` or
`drop`; further members are named after the fields of the packets (`clean`, `present`, `keepalive`,
`reason`), `from` is the address and port of the connection.
"""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

from captures_demo.simulator.corpus.diverter import COMMAND
from captures_demo.simulator.corpus.variant import MILLI, SECOND
from captures_demo.simulator.corpus.works import BOOT_NS, Works
from captures_demo.simulator.schedule import Program

BROKER_LOG = "$SYS/broker/log"
BOARD_ADDRESS, OTHER_ADDRESS = "10.0.4.7", "10.0.4.12"


@dataclass(slots=True)
class Session:
    """The board's session.

    Args:
        works: the bench.
        keepalive_s: as its CONNECT says.
        clean: CleanSession.
    """

    works: Works
    keepalive_s: int = 15
    clean: bool = True
    port: int = 0

    def begin(self) -> None:
        """The first connection, at boot."""
        self.port = 49_200 + self.works.variant.number
        self.works.schedule.at(BOOT_NS + 5 * MILLI, lambda _: self.connected())
        self.works.schedule.at(BOOT_NS + 8 * MILLI, lambda _: self.subscribed())

    def log(self, event: str, **members: object) -> None:
        """The broker writes a line of its log."""
        said = {"event": event, "client": self.works.board.name, **members}
        text = msgspec.json.encode(said).decode()
        self.works.broker.record(BROKER_LOG, text, client="", direction="from-broker")

    def connected(self, *, present: bool = False, address: str = BOARD_ADDRESS) -> None:
        """A CONNECT was accepted; the port is another one each time."""
        self.port += 1
        members = {"from": f"{address}:{self.port}", "clean": self.clean, "present": present}
        self.log("connect", **members, keepalive=self.keepalive_s)

    def subscribed(self) -> None:
        """A SUBSCRIBE was granted."""
        self.log("subscribe", filter=COMMAND, qos=1)

    def dropped(self, reason: str, **members: object) -> None:
        """A connection has ended, for the broker."""
        self.log("disconnect", reason=reason, **members)

    def down(self, *, says: bool = True) -> None:
        """The board knows that it has no connection: it publishes nothing."""
        self.works.says.telling = False
        self.works.up.loss_rate = self.works.down.loss_rate = 1.0
        if says:
            self.works.board.print("W", "net: link lost")

    def back(self, *, subscribes: bool = True, present: bool = False) -> None:
        """Connected again."""
        works = self.works
        works.up.loss_rate = works.down.loss_rate = 0.0
        works.says.telling = True
        self.connected(present=present)
        works.board.print("I", f"net: connected, session present {int(present)}")
        if subscribes:
            self.subscribed()

    def later(self, after_ns: int, act: Program[None]) -> None:
        """Start a program after a time."""
        schedule = self.works.schedule
        schedule.start(act, at_ns=schedule.now_ns + after_ns)


def session_of(works: Works, *, keepalive_s: int = 15) -> Session:
    """A bench with a session whose start is in the broker's log."""
    session = Session(works, keepalive_s)
    session.begin()
    works.says.sent_too = True
    return session


def place_ns(works: Works) -> int:
    """True time of about the poll at the variant's place."""
    variant = works.variant
    return BOOT_NS + variant.place * variant.period_ns


def seconds(time_ns: int) -> float:
    """For notes."""
    return round(time_ns / SECOND, 3)
