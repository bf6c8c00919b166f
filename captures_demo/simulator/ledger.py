"""The truth about the traffic of a bus, written down by those who make it.

Whoever moves a line on purpose reports the START, clock or STOP that it makes; nothing here listens
to the wires. A decoder that knows only the wires must come to the same list.
"""

from __future__ import annotations

from dataclasses import dataclass, field

TEN_BIT_FIRST = 0b11110  # UM10204 section 3.1.11: a first byte 1111 0XX


@dataclass(slots=True)
class TransactionTruth:
    """One transaction: from START or repeated START to the next repeated START or STOP.

    Times are true ns. The words of `started_by` and `ended_by` are those of the tables:
    `start restart` and `stop restart start cut`. A START inside a byte is one out of place: the
    transaction before it ends, and the new one begins, by `start`. `cut` never ended.
    """

    bus: str
    start_ns: int
    started_by: str
    end_ns: int = -1  # -1 while open
    ended_by: str = "cut"
    address: int = -1  # 7 or 10 bits; -1 when it was cut before it was complete
    address_bits: int = 0
    read: bool = False
    address_acked: bool = False
    data: bytes = b""
    acks: str = ""  # one character a data byte, A or N
    bits_over: int = 0  # clocks after the last whole byte
    bits: list[bool] = field(default_factory=list)  # SDA at every clock since the START

    def settle(self, low_address: int | None) -> None:
        """Work out the columns from the clocks.

        Args:
            low_address: second address byte of the 10-bit target that was addressed before a
                repeated START; None when there was none.
        """
        octets, acks = [], []
        for at in range(0, len(self.bits) - 8, 9):
            octets.append(sum(bit << (7 - k) for k, bit in enumerate(self.bits[at : at + 8])))
            acks.append(not self.bits[at + 8])
        self.bits_over = len(self.bits) - 9 * len(octets)
        if not octets:
            return
        self.read = bool(octets[0] & 1)
        used = 1
        if octets[0] >> 3 != TEN_BIT_FIRST:
            self.address, self.address_bits = octets[0] >> 1, 7
        else:
            self.address_bits = 10
            high = (octets[0] >> 1 & 3) << 8
            if self.read:
                self.address = -1 if low_address is None else high | low_address
            elif len(octets) > 1:
                self.address, used = high | octets[1], 2
        self.address_acked = all(acks[:used])
        self.data = bytes(octets[used:])
        self.acks = "".join("A" if acked else "N" for acked in acks[used:])


class Ledger:
    """All transactions of one bus in start order."""

    def __init__(self, bus: str) -> None:
        self._bus = bus
        self._open: TransactionTruth | None = None
        self._low_address: int | None = None  # of the 10-bit target addressed since the last STOP
        self._risen: bool | None = None  # SDA at the last rise of SCL, while SCL is high
        self.transactions: list[TransactionTruth] = []

    @property
    def open(self) -> bool:
        """Whether there was a START and no STOP since."""
        return self._open is not None

    def start(self, t_ns: int) -> None:
        """SDA fell with SCL high."""
        joined = self._open is not None and len(self._open.bits) % 9 == 0
        word = "restart" if joined else "start"
        self._close(t_ns, word)
        self._open = TransactionTruth(self._bus, t_ns, word)
        self.transactions.append(self._open)

    def rise(self, high: bool) -> None:
        """SCL rose with SDA at that level: a clock, unless a START or STOP follows in its HIGH."""
        self._risen = high

    def fall(self) -> None:
        """SCL is pulled: the clock, if it was one, is complete."""
        if self._open is not None and self._risen is not None:
            self._open.bits.append(self._risen)
        self._risen = None

    def stop(self, t_ns: int) -> None:
        """SDA rose with SCL high."""
        self._close(t_ns, "stop")
        self._low_address = None

    def finish(self) -> None:
        """The run is over: settle what is still open."""
        if self._open is not None:
            self._open.settle(self._low_address)
            self._open = None

    def _close(self, t_ns: int, word: str) -> None:
        ended, self._open, self._risen = self._open, None, None
        if ended is None:
            return
        ended.end_ns, ended.ended_by = t_ns, word
        ended.settle(self._low_address)
        if ended.address_bits == 10 and ended.address >= 0:
            self._low_address = ended.address & 0xFF


@dataclass(slots=True)
class Hold:
    """Somebody held a line low who should not have; true ns, until -1 while it lasts."""

    line: str
    by: str
    start_ns: int
    end_ns: int = -1


@dataclass(frozen=True, slots=True)
class FaultTruth:
    """One thing that was made to go wrong."""

    t_ns: int  # true time
    kind: str
    where: str
    note: str = ""
