"""The bus controller: START, bytes, acknowledge, repeated START, STOP, waiting for a held clock.

Each operation is a program (see `schedule`); between two operations SCL is low, as after a START or
a byte, or the bus is free. UM10204 section 3.1.4: a START may come at any clock, inside a byte too,
so `start` and `stop` can follow `write_bits`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from captures_demo.simulator.bus import NEVER_NS, Bus
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.schedule import Program
from captures_demo.simulator.timing import STANDARD, BusTiming


class BusError(Exception):
    """The bus did not do what the controller asked; `kind` is `scl-held` or `sda-held`."""

    def __init__(self, kind: str) -> None:
        super().__init__(kind)
        self.kind = kind


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a transfer, as a driver reports it to its caller.

    `kind` is `ok`, `address-nack`, `data-nack`, `scl-held` or `sda-held`; `data` is what was read.
    """

    kind: str
    data: bytes = b""

    @property
    def ok(self) -> bool:
        """Whether all went as asked."""
        return self.kind == "ok"


def length_of(count: int) -> Callable[[bytes], int]:
    """A read's length that is known beforehand; see `Controller.read`."""
    return lambda _: count


class Controller:
    """One controller of a bus; its inputs have a spike filter that lets no disturbance through.

    Args:
        bus: the bus.
        timing: the times it keeps.
        stretch_limit_ns: how long it waits for SCL to rise (SMBus tTIMEOUT is 25 ms).
        seed: of its jitter.
        jitter_ns: each LOW and each HIGH of SCL takes up to this much longer.
    """

    def __init__(
        self,
        bus: Bus,
        timing: BusTiming = STANDARD,
        *,
        stretch_limit_ns: int = 25_000_000,
        seed: int = 0,
        jitter_ns: int = 0,
    ) -> None:
        self.bus = bus
        self.timing = timing
        self.stretch_limit_ns = stretch_limit_ns
        self._driver = bus.driver()
        self._jitter = Dice(seed, f"{bus.name} controller")
        self._jitter_ns = jitter_ns
        self._within = False  # between its START and its STOP

    @property
    def mask(self) -> int:
        """Its driver's mask: a fault of its own pulls or lets go with it."""
        return self._driver

    def forget(self) -> None:
        """Its software begins anew: no transfer of its own is open; moves no line."""
        self._within = False

    # --- the parts of a wave

    def start(self) -> Program[None]:
        """START on a free bus, else repeated START; leaves SCL low.

        Raises:
            BusError: if a line is held low.
        """
        bus, timing = self.bus, self.timing
        if not self._within:
            self._check_free()
        else:
            yield from self._raise_clock(low=False)
            yield timing.setup_start_ns
            if not bus.sda.driven:
                raise BusError("sda-held")
        bus.sda.pull(self._driver)
        bus.ledger.start(bus.schedule.now_ns)
        self._within = True
        yield timing.hold_start_ns
        self._pull_clock()

    def _check_free(self) -> None:
        if not self.bus.scl.driven:
            raise BusError("scl-held")
        if not self.bus.sda.driven:
            raise BusError("sda-held")

    def stop(self) -> Program[None]:
        """STOP, then the bus-free time; leaves the bus free.

        Raises:
            BusError: if a line is held low.
        """
        bus, timing = self.bus, self.timing
        yield from self._raise_clock(low=True)
        yield timing.setup_stop_ns
        bus.sda.release(self._driver)
        if not (yield bus.sda.rise_within(self.stretch_limit_ns)):
            raise BusError("sda-held")
        bus.ledger.stop(bus.schedule.now_ns)
        self._within = False
        yield timing.bus_free_ns

    def _raise_clock(self, *, low: bool) -> Program[None]:
        """From SCL low to SCL seen high, with SDA pulled or let go meanwhile."""
        bus, timing = self.bus, self.timing
        yield timing.hold_data_ns
        if low:
            bus.sda.pull(self._driver)
        else:
            bus.sda.release(self._driver)
        yield timing.low_ns - timing.hold_data_ns + self._late()
        bus.scl.release(self._driver)
        if not (yield bus.scl.rise_within(self.stretch_limit_ns)):
            raise BusError("scl-held")
        bus.ledger.rise(bus.sda.driven)

    def _pull_clock(self) -> None:
        self.bus.ledger.fall()
        self.bus.scl.pull(self._driver)

    def _late(self) -> int:
        return self._jitter.below(self._jitter_ns + 1) if self._jitter_ns else 0

    def clock_bit(self, *, low: bool) -> Program[bool]:
        """One clock with SDA pulled low or let go; the level of SDA that was seen.

        Raises:
            BusError: if SCL does not rise within the limit.
        """
        yield from self._raise_clock(low=low)
        yield self.timing.high_ns + self._late()
        seen = self.bus.sda.driven
        self._pull_clock()
        return seen

    def write_bits(self, value: int, count: int) -> Program[None]:
        """The `count` low bits of a value, the highest first; no acknowledge clock."""
        for at in range(count - 1, -1, -1):
            yield from self.clock_bit(low=not value >> at & 1)

    def write_byte(self, value: int) -> Program[bool]:
        """Eight bits and the acknowledge clock; whether it was acknowledged."""
        yield from self.write_bits(value, 8)
        seen = yield from self.clock_bit(low=False)
        return not seen

    def read_byte(self, *, ack: bool) -> Program[int]:
        """Eight bits from the target, then ACK or NACK of our own (UM10204 section 3.1.6)."""
        value = 0
        for _ in range(8):
            seen = yield from self.clock_bit(low=False)
            value = value << 1 | seen
        yield from self.clock_bit(low=ack)
        return value

    # --- whole transfers

    def address(self, address: int, *, read: bool, ten_bit: bool = False) -> Program[bool]:
        """The address byte or bytes after a START; whether all were acknowledged.

        A 10-bit read is addressed by a write first (UM10204 section 3.1.11), its repeated START
        included here.
        """
        if not ten_bit:
            return (yield from self.write_byte(address << 1 | read))
        first = 0xF0 | address >> 7 & 6
        acked = yield from self.write_byte(first)
        acked = acked and (yield from self.write_byte(address & 0xFF))
        if acked and read:
            yield from self.start()
            acked = yield from self.write_byte(first | 1)
        return acked

    def write(
        self, address: int, data: bytes, *, stop: bool = True, ten_bit: bool = False
    ) -> Program[Outcome]:
        """Write bytes to a target; a NACK ends it with a STOP.

        Args:
            address: 7-bit, or 10-bit with `ten_bit`.
            data: may be empty: a zero-length write.
            stop: False leaves the bus for a repeated START.
            ten_bit: whether the address has 10 bits.
        """
        try:
            yield from self.start()
            if not (yield from self.address(address, read=False, ten_bit=ten_bit)):
                yield from self.stop()
                return Outcome("address-nack")
            for value in data:
                if not (yield from self.write_byte(value)):
                    yield from self.stop()
                    return Outcome("data-nack")
            if stop:
                yield from self.stop()
        except BusError as fault:
            yield from self._give_up(fault)
            return Outcome(fault.kind)
        return Outcome("ok")

    def read(
        self,
        address: int,
        length: Callable[[bytes], int],
        *,
        stop: bool = True,
        ten_bit: bool = False,
        ack_last: bool = False,
    ) -> Program[Outcome]:
        """Read bytes from a target.

        Args:
            address: 7-bit, or 10-bit with `ten_bit`.
            length: told what has come so far, the whole length as known now; a packet that says its
                own length is read in one transaction so.
            stop: False leaves the bus for a repeated START.
            ten_bit: whether the address has 10 bits.
            ack_last: acknowledge the last byte, against UM10204 section 3.1.10.
        """
        data = bytearray()
        try:
            yield from self.start()
            if not (yield from self.address(address, read=True, ten_bit=ten_bit)):
                yield from self.stop()
                return Outcome("address-nack")
            while len(data) < (whole := length(bytes(data))):
                more = len(data) + 1 < whole or ack_last
                data.append((yield from self.read_byte(ack=more)))
            if stop:
                yield from self.stop()
        except BusError as fault:
            yield from self._give_up(fault)
            return Outcome(fault.kind, bytes(data))
        return Outcome("ok", bytes(data))

    def write_read(
        self, address: int, request: bytes, length: Callable[[bytes], int]
    ) -> Program[Outcome]:
        """Write, repeated START, read: the usual register read."""
        written = yield from self.write(address, request, stop=False)
        if not written.ok:
            return written
        return (yield from self.read(address, length))

    # --- what drivers do when they are lost

    def abort(self) -> Program[None]:
        """Leave a transfer in the middle: SDA is let go first, then SCL, with no STOP.

        Ends when SCL has risen; a target may hold it for long.
        """
        bus = self.bus
        self._within = False
        yield self.timing.hold_data_ns
        bus.sda.release(self._driver)
        yield self.timing.low_ns
        was_high = bus.scl.driven
        bus.scl.release(self._driver)
        yield bus.scl.rise_within(NEVER_NS)
        if not was_high:
            bus.ledger.rise(bus.sda.driven)

    def _give_up(self, fault: BusError) -> Program[None]:
        if fault.kind == "scl-held":  # nobody knows when it ends: do not wait for it
            self._within = False
            self.bus.schedule.start(self.abort())
        else:
            yield from self.abort()

    def leave_high(self, *, low: bool) -> Program[None]:
        """Be reset in the HIGH of the next clock: both pins let go at once, SCL stays high.

        Args:
            low: SDA was pulled in that clock; its rise then is a STOP on the wire.
        """
        yield from self._raise_clock(low=low)
        yield self.timing.high_ns // 2
        self._within = False
        self.bus.free_sda(self._driver)

    def clear_bus(
        self, *, clocks: int = 9, until_high: bool = True, sda_low: bool = False, stop: bool = True
    ) -> Program[int]:
        """Clock a held SDA free, then STOP (UM10204 section 3.1.16); the clocks that were given.

        Args:
            clocks: at most so many.
            until_high: stop clocking at the first SDA high; False gives all of them blindly.
            sda_low: SDA is pulled all the while, as by a driver that did not set its pin to input;
                a target that sends reads each acknowledge clock as an ACK.
            stop: end with a STOP, when SDA is high.
        """
        bus = self.bus
        given = 0
        if sda_low and not bus.sda.driven:  # with SDA high it would be a START
            bus.sda.pull(self._driver)
        while True:
            while given < clocks and not (until_high and bus.sda.driven):
                if not (yield from self._clear_clock()):
                    return given
                given += 1
            if sda_low:
                bus.free_sda(self._driver)
                yield self.timing.bus_free_ns
            if sda_low or not stop or not bus.sda.driven or (yield from self._clear_stop()):
                return given
            given += 1  # the STOP's clock was one of the target's bits, a 0

    def stop_in_each_clock(self, *, clocks: int = 9) -> Program[int]:
        """Try a STOP in every clock till one is made; the clocks given, the STOP's own included.

        A target that lets go of SDA in a clock cannot pull it again before that clock is over.
        """
        for given in range(clocks):
            if (yield from self._clear_stop()):
                return given + 1
        return clocks

    def _clear_clock(self) -> Program[bool]:
        """One clock from SCL high to SCL high; False when SCL does not rise."""
        bus, timing = self.bus, self.timing
        self._pull_clock()
        yield timing.low_ns
        bus.scl.release(self._driver)
        if not (yield bus.scl.rise_within(self.stretch_limit_ns)):
            return False
        bus.ledger.rise(bus.sda.driven)
        yield timing.high_ns
        return True

    def _clear_stop(self) -> Program[bool]:
        """Try a STOP from SCL high; it takes a clock, in which a target may pull SDA again."""
        bus, timing = self.bus, self.timing
        self._pull_clock()
        yield from self._raise_clock(low=True)
        yield timing.setup_stop_ns
        bus.sda.release(self._driver)
        if not (yield bus.sda.rise_within(timing.high_ns)):
            return False
        bus.ledger.stop(bus.schedule.now_ns)
        self._within = False
        yield timing.bus_free_ns
        return True
