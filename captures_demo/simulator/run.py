"""What a simulated run leaves behind: the evidence of each source, and the whole truth."""

from __future__ import annotations

from dataclasses import dataclass, field

import msgspec
import numpy as np
import numpy.typing as npt

from captures_demo.simulator.capture import Instrument, Recorded
from captures_demo.simulator.clocks import Clock, ClockTruth, maps_to
from captures_demo.simulator.ledger import FaultTruth, Hold, TransactionTruth
from captures_demo.simulator.lines import Trace


@dataclass(frozen=True, slots=True)
class PrintTruth:
    """One line the firmware printed."""

    t_ns: int  # true time of the call
    tick: int  # what the stamp says, after rollover
    level: str
    text: str


@dataclass(slots=True)
class MessageTruth:
    """One message on its way; what is -1 did not happen."""

    sender: str
    topic: str
    payload: str
    sent_ns: int  # true time
    arrived_ns: int  # true time at the broker, -1 when it was lost before
    lost: str  # the hop that lost it (`to-broker`, `from-broker`), or ""
    copies: int  # 2 for a redelivery


@dataclass(frozen=True, slots=True)
class PacketTruth:
    """One packet a device or its controller put into its transactions."""

    t_ns: int  # true time at which it was whole
    device: str
    kind: str
    valid: bool
    data: bytes


@dataclass(slots=True)
class Truth:
    """Everything that happened, in true ns; `Run.capture_ns` gives a capture's time of one."""

    transactions: list[TransactionTruth] = field(default_factory=list)
    packets: list[PacketTruth] = field(default_factory=list)
    prints: list[PrintTruth] = field(default_factory=list)
    messages: list[MessageTruth] = field(default_factory=list)
    holds: list[Hold] = field(default_factory=list)
    faults: list[FaultTruth] = field(default_factory=list)
    clocks: list[ClockTruth] = field(default_factory=list)  # against the capture's clock

    @property
    def lost_messages(self) -> list[MessageTruth]:
        """Messages that somebody did not get."""
        return [message for message in self.messages if message.lost]


class MessageRow(msgspec.Struct, frozen=True):
    """One line of an MQTT recording; `t` is written as a decimal number of seconds since 1970."""

    t_us: int
    topic: str
    payload: str
    qos: int
    retain: bool
    dup: bool = False  # a redelivery; written only when it is one
    client: str = ""  # these two are written only when they are recorded
    direction: str = ""  # to-broker or from-broker

    def line(self) -> bytes:
        """The JSON object, without the line end."""
        seconds, micro = divmod(self.t_us, 1_000_000)
        members: dict[str, object] = {"topic": self.topic, "payload": self.payload, "qos": self.qos}
        members["retain"] = self.retain
        if self.dup:
            members["dup"] = True
        if self.direction:
            members |= {"client": self.client, "direction": self.direction}
        rest = msgspec.json.encode(members)
        return b'{"t":%d.%06d,%b' % (seconds, micro, rest[1:])


@dataclass(slots=True)
class Run:
    """One simulated run.

    Attributes:
        name: the scenario.
        end_ns: true end.
        trace: the lines' changes in true time.
        instrument: the capture's.
        truth: what happened.
        serial: bytes that left the board's serial port, with the true time of the end of each
            piece's last stop bit.
        host: the clock of the host that records serial bytes and messages.
        message_rows: the recording of the broker's messages.
    """

    name: str
    end_ns: int
    trace: Trace
    instrument: Instrument
    truth: Truth
    serial: list[tuple[int, bytes]] = field(default_factory=list)
    host: Clock = field(default_factory=lambda: Clock("host"))
    message_rows: list[MessageRow] = field(default_factory=list)
    _recorded: Recorded | None = None

    def recorded(self) -> Recorded:
        """The capture, worked out once."""
        if self._recorded is None:
            t_ns, levels = self.trace.columns()
            channels = tuple(self.trace.channels)
            self._recorded = self.instrument.record(t_ns, levels, channels, self.end_ns)
        return self._recorded

    def edges(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8], tuple[str, ...]]:
        """The capture's rows: int64[n] ns on its clock, uint8[n] level words, channel names."""
        recorded = self.recorded()
        return recorded.t_ns, recorded.levels, recorded.channels

    def serial_bytes(self) -> bytes:
        """What a serial log holds: every byte, no arrival stamps."""
        return b"".join(piece for _, piece in self.serial)

    def messages_jsonl(self) -> bytes:
        """The MQTT recording, one JSON object a line."""
        return b"".join(row.line() + b"\n" for row in self.message_rows)

    def capture_ns(self, true_ns: int) -> int:
        """The capture's time of a change at a true time."""
        return self.instrument.time_of(true_ns)

    def captured_transactions(self) -> list[TransactionTruth]:
        """Those that lie within the capture's window as a whole.

        The first may need what lies before the window: a repeated START just behind its border
        looks like a START, a 10-bit read has its low address byte in the write before.
        """
        until_ns = self.end_ns
        if self.instrument.until_ns is not None:
            until_ns = min(until_ns, self.instrument.until_ns)
        return [
            row
            for row in self.truth.transactions
            if row.start_ns > self.instrument.from_ns and 0 <= row.end_ns <= until_ns
        ]


def clock_rows(run_clocks: list[tuple[str, Clock]], capture: Clock) -> list[ClockTruth]:
    """The truth about the clocks of (source, clock) pairs against the capture's."""
    return [row for source, clock in run_clocks for row in maps_to(clock, capture, source)]
