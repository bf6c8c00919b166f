"""A bus target: a state machine that sees nothing but the edges of the two lines.

It answers as UM10204 section 3.1 says: bits are taken at the rise of SCL, SDA is moved a hold time
after its fall. What a device does with the bytes is for its class (see `devices`), how it
misbehaves is for its manner (see `manners`).
"""

from __future__ import annotations

from enum import Enum, auto

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.ledger import TEN_BIT_FIRST, Hold
from captures_demo.simulator.lines import Input, SpikeFilter
from captures_demo.simulator.manners import Manner


class Phase(Enum):
    """Where a target is within a transaction."""

    IDLE = auto()  # not addressed: waits for a START
    ADDRESS = auto()  # takes the address byte
    LOW_ADDRESS = auto()  # takes the second byte of a 10-bit address
    RECEIVE = auto()
    ACKNOWLEDGE = auto()  # in the ninth clock of a byte it took
    SEND = auto()
    LISTEN = auto()  # in the ninth clock of a byte it sent


class Target:
    """The I2C half of a device; subclasses have the meaning.

    Args:
        bus: the bus.
        name: the device's name, for the truth.
        address: 7-bit, or 10-bit with `ten_bit`.
        ten_bit: whether the address has 10 bits.
        general_call: whether it acknowledges address 0 (UM10204 section 3.1.13).
        hold_ns: SCL fallen, until it moves SDA (table 11: tVD;DAT at most 3.45, 0.9 and 0.45 us).
        filter_ns: spikes up to this on either line are not seen; 0 for no filter.
    """

    def __init__(
        self,
        bus: Bus,
        name: str,
        address: int,
        *,
        ten_bit: bool = False,
        general_call: bool = False,
        hold_ns: int = 600,
        filter_ns: int = 0,
    ) -> None:
        self.bus = bus
        self.name = name
        self.bus_address = address
        self.manner = Manner()
        self.sent = 0  # bytes of this read that were put on the wire
        self.taken = 0  # bytes of this write that were acknowledged
        self._ten_bit = ten_bit
        self._general_call = general_call
        self._hold_ns = hold_ns
        self._driver = bus.driver()
        self._fault_driver = bus.driver()
        self._scl: Input = bus.scl
        self._sda: Input = bus.sda
        if filter_ns:
            self._scl = SpikeFilter(bus.schedule, bus.scl, filter_ns)
            self._sda = SpikeFilter(bus.schedule, bus.sda, filter_ns)
        self._phase = Phase.IDLE
        self._next = Phase.IDLE  # after the acknowledge clock
        self._bits = 0
        self._byte = 0
        self._low = False  # what it last planned for SDA
        self._plan = 0  # number of that plan; a START or STOP takes older ones back
        self._selected = False  # 10-bit: addressed by a write since the last STOP
        self._heard_nack = False
        self._scl.listen(self._scl_changed)
        self._sda.listen(self._sda_changed)

    # --- for subclasses

    def addressed(self, *, read: bool) -> None:
        """It was addressed and has acknowledged."""

    def received(self, value: int) -> bool:
        """A byte came; whether to acknowledge it."""
        return False

    def next_byte(self) -> int:
        """The next byte to send."""
        return 0xFF

    def stopped(self) -> None:
        """A STOP was seen by a target that was addressed since the last one."""

    def stretch_ns(self, *, read: bool) -> int:
        """How long it holds SCL after the byte that was just acknowledged; 0 for not at all."""
        return 0

    # --- what can be done to it

    def power_cycle(self) -> None:
        """Off and on: it lets go of everything and forgets where it was; its manner stays."""
        self._phase = Phase.IDLE
        self._low = False
        self._plan += 1
        self.bus.free_sda(self._driver)
        self.bus.scl.release(self._driver)
        for hold in self.bus.holds:
            if hold.by == self.name and hold.end_ns < 0:
                self.bus.let_go(hold, self._fault_driver)

    def seize(self, line: str) -> Hold:
        """Pull `scl` or `sda` until `power_cycle`."""
        wire = self.bus.scl if line == "scl" else self.bus.sda
        return self.bus.hold(wire, self._fault_driver, self.name)

    # --- SDA: data in, START, STOP

    def _sda_changed(self, high: bool) -> None:
        if not self._scl.high:
            return
        self._plan_sda(low=False)
        if not high:
            self._phase, self._bits, self._byte = Phase.ADDRESS, 0, 0
            return
        was_in, self._phase = self._phase, Phase.IDLE
        self._selected = False
        if was_in is not Phase.IDLE or self.taken or self.sent:
            self.stopped()
        self.taken = self.sent = 0

    def _plan_sda(self, *, low: bool) -> None:
        if low != self._low:
            self._low = low
            self._plan += 1
            at_ns = self.bus.schedule.now_ns + self._hold_ns
            self.bus.schedule.at(at_ns, self._move_sda, (self._plan, low))

    def _move_sda(self, plan: tuple[int, bool]) -> None:
        number, low = plan
        if number == self._plan:
            if low:
                self.bus.sda.pull(self._driver)
            else:
                self.bus.sda.release(self._driver)

    # --- SCL: bits in at the rise, bits out after the fall

    def _scl_changed(self, high: bool) -> None:
        phase = self._phase
        if phase is Phase.IDLE:
            return
        if not high:
            self._scl_fell(phase)
        elif phase is Phase.SEND:
            self._bits += 1
        elif phase is Phase.LISTEN:
            self._heard_nack = self._sda.high
        elif phase is not Phase.ACKNOWLEDGE:
            self._byte = self._byte << 1 | self._sda.high
            self._bits += 1

    def _scl_fell(self, phase: Phase) -> None:
        if phase is Phase.SEND:
            if self._bits < 8:
                self._send_bit()
            else:
                self._phase = Phase.LISTEN
                self._plan_sda(low=False)
        elif phase is Phase.LISTEN:
            self._go(Phase.IDLE if self._heard_nack else Phase.SEND)
        elif phase is Phase.ACKNOWLEDGE:
            self._go(self._next)
        elif self._bits == 8:
            self._next = self._take(phase)
            if self._next is Phase.IDLE:
                self._phase = Phase.IDLE
            else:
                self._phase = Phase.ACKNOWLEDGE
                self._plan_sda(low=True)

    def _take(self, phase: Phase) -> Phase:
        """Act on a whole byte; the phase after its acknowledge clock, IDLE for a NACK."""
        if phase is Phase.ADDRESS:
            return self._take_address(self._byte)
        if phase is Phase.LOW_ADDRESS:
            self._selected = self._byte == self.bus_address & 0xFF
            return self._accept(read=False) if self._selected else Phase.IDLE
        if self.manner.refuses(self.taken) or not self.received(self._byte):
            return Phase.IDLE
        self.taken += 1
        return Phase.RECEIVE

    def _take_address(self, octet: int) -> Phase:
        read = bool(octet & 1)
        if octet == 0 and self._general_call:
            return self._accept(read=False)
        if not self._ten_bit:
            return self._accept(read=read) if octet >> 1 == self.bus_address else Phase.IDLE
        if octet >> 3 != TEN_BIT_FIRST or octet >> 1 & 3 != self.bus_address >> 8:
            return Phase.IDLE
        if read:
            return self._accept(read=True) if self._selected else Phase.IDLE
        return Phase.IDLE if self.manner.deaf() else Phase.LOW_ADDRESS

    def _accept(self, *, read: bool) -> Phase:
        if self.manner.deaf():
            self._selected = False
            return Phase.IDLE
        self.taken = self.sent = 0
        self.addressed(read=read)
        return Phase.SEND if read else Phase.RECEIVE

    def _go(self, phase: Phase) -> None:
        """Begin the next byte, SCL having just fallen after an acknowledge clock."""
        self._phase, self._bits, self._byte = phase, 0, 0
        if phase is Phase.SEND:
            self._byte = self.manner.byte_out(self.sent, self.next_byte)
            self.sent += 1
            self._send_bit()
        else:
            self._plan_sda(low=False)
        if phase is not Phase.IDLE:
            self._stretch(read=phase is Phase.SEND)

    def _send_bit(self) -> None:
        low = not self._byte >> (7 - self._bits) & 1
        self._plan_sda(low=low)
        if low and self.manner.keeps_data(self.sent, self._bits):
            self.bus.schedule.at(self.bus.schedule.now_ns + self._hold_ns, self._seize_sda)

    def _seize_sda(self, _: object) -> None:
        self.seize("sda")
        self._phase = Phase.IDLE
        self._plan_sda(low=False)

    def _stretch(self, *, read: bool) -> None:
        """Hold SCL after an acknowledge clock (UM10204 section 3.1.9, byte level)."""
        length_ns = self.manner.clock_hold_ns(self.sent - 1 if read else self.taken)
        if length_ns is None:
            self.seize("scl")
            return
        length_ns = length_ns or self.stretch_ns(read=read)
        if length_ns:
            now_ns = self.bus.schedule.now_ns
            self.bus.schedule.at(now_ns + 1, lambda _: self.bus.scl.pull(self._driver))
            self.bus.schedule.at(now_ns + length_ns, lambda _: self.bus.scl.release(self._driver))
