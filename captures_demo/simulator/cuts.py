"""Transfers that are left at any clock, what then holds the bus, and ways out of it.

The kernel's document "I2C fault injection" gives the reference list: a line forced low
(`forced_low`), `incomplete_address_phase`, `incomplete_write_byte`, lost arbitration
(`lost_arbitration`) and a reset while a transfer runs (`Cut` at any clock). The first three of a
controller's are a `Transfer` with its `Cut`, so that all are played, and their truth found, alike.

The truth about a cut is not worked out: the controller gives clocks with SDA released until it sees
SDA high, and they are counted.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Any

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.controller import Controller
from captures_demo.simulator.devices import RegisterFile
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.ledger import TransactionTruth
from captures_demo.simulator.lines import Line, Trace
from captures_demo.simulator.schedule import Program, Schedule

HELD_NS = 30_000_000  # how long nobody does anything after the cut, as a rule, and at the end


@dataclass(frozen=True, slots=True)
class Transfer:
    """A write of some bytes, or a read of as many, with a write before it where one is asked for.

    Attributes:
        address: 7-bit, or 10-bit with `ten_bit`.
        read: whether the transaction that is cut is a read.
        data: what is written, or what the target has to send.
        request: written before a read, joined to it by a repeated START; the registers from its
            first byte on then hold `data`, else those from 0.
        ten_bit: whether the address has 10 bits; for writes only.
    """

    address: int
    read: bool
    data: bytes
    request: bytes = b""
    ten_bit: bool = False

    @property
    def pulls(self) -> list[bool]:
        """In each clock from the last START on, whether the controller pulls SDA low."""
        first = [self.address << 1 | self.read]
        if self.ten_bit:
            first = [0xF0 | self.address >> 7 & 6, self.address & 0xFF]
        sent = first if self.read else [*first, *self.data]
        pulls = [pull for octet in sent for pull in (*_zeros(octet), False)]
        if self.read:
            acks = [True] * (len(self.data) - 1) + [False]
            pulls += [pull for ack in acks for pull in (*[False] * 8, ack)]
        return pulls


@dataclass(frozen=True, slots=True)
class Cut:
    """Where a controller stops: after so many whole clocks since the last START."""

    clocks: int
    at_high: bool = False  # in the HIGH of the next clock; else in the LOW before it


@dataclass(frozen=True, slots=True)
class Recovery:
    """How it is tried to free the bus; see `Controller.clear_bus`."""

    clocks: int = 9
    until_high: bool = True
    sda_low: bool = False
    stop: bool = True
    stop_in_each: bool = False  # a STOP is tried in every clock; all but `clocks` is left aside
    times: int = 1  # so often
    wait_ns: int = HELD_NS  # before each


UNTIL_HIGH = Recovery()
COUNTING = Recovery(stop=False)
STOP_IN_EACH = Recovery(stop_in_each=True)
BLIND_NINE = Recovery(until_high=False)
BLIND_NINE_LOW = Recovery(until_high=False, sda_low=True)


@dataclass(frozen=True, slots=True)
class CutTruth:
    """What a cut did, in true ns."""

    start_ns: int  # the START of the transaction that was cut
    left_ns: int  # the controller had let go of both lines and SCL was high
    held: bool  # SDA stayed low then
    clocks_needed: int  # with SDA released, until SDA was seen high; 0 when it was not held
    recovery_ns: int  # its first clock could come from here on
    clocks_given: tuple[int, ...]  # by each try of the recovery
    freed: bool  # SDA was high at the end
    written: dict[int, int]  # registers that hold something else than when the cut was made
    end_ns: int


@dataclass(frozen=True, slots=True, eq=False)
class CutRun:
    """A cut that was played: the lines, the ledger, and what it did."""

    trace: Trace
    transactions: list[TransactionTruth]
    truth: CutTruth


def incomplete_address_phase(address: int) -> tuple[Transfer, Cut]:
    """A read that stops in the acknowledge of its address, SCL high."""
    return Transfer(address, read=True, data=b"\x00"), Cut(8, at_high=True)


def incomplete_write_byte(address: int, octet: int = 0) -> tuple[Transfer, Cut]:
    """A write of one byte that stops in its acknowledge; the next clocks write to that register."""
    return Transfer(address, read=False, data=bytes([octet])), Cut(17, at_high=True)


def reset_during(transfer: Transfer, dice: Dice) -> Cut:
    """A reset at any clock of a transfer."""
    return Cut(dice.below(len(transfer.pulls)), at_high=dice.chance(0.5))


def cut_transfer(controller: Controller, transfer: Transfer, cut: Cut) -> Program[int]:
    """Make a transfer up to the cut and let go of both lines; when the START was, true ns."""
    yield from controller.start()
    if transfer.request:
        yield from controller.address(transfer.address, read=False)
        for octet in transfer.request:
            yield from controller.write_byte(octet)
        yield from controller.start()
    start_ns = controller.bus.ledger.transactions[-1].start_ns
    pulls = transfer.pulls
    for low in pulls[: cut.clocks]:
        yield from controller.clock_bit(low=low)
    if cut.at_high and cut.clocks < len(pulls):
        yield from controller.leave_high(low=pulls[cut.clocks])
    else:
        yield from controller.abort()
    return start_ns


def lost_arbitration(
    controller: Controller, address: int, *, after: int, low_ns: int, by: str = "another"
) -> Program[bool]:
    """Somebody pulls SDA in the first clock from `after` on in which the controller does not.

    The controller sees that it lost and leaves at once; the other lets go `low_ns` later, with SCL
    high: a STOP on the wire. Whether there was such a clock within the address byte.
    """
    bus = controller.bus
    yield from controller.start()
    for at, low in enumerate(_zeros(address << 1)):
        if at >= after and not low:
            driver = bus.driver()
            hold = bus.hold(bus.sda, driver, by)
            yield from controller.leave_high(low=False)
            yield low_ns
            bus.let_go(hold, driver)
            return True
        yield from controller.clock_bit(low=low)
    yield from controller.stop()
    return False


def forced_low(bus: Bus, line: Line, length_ns: int, by: str = "injector") -> Program[None]:
    """Pull a line for so long, whatever goes on."""
    driver = bus.driver()
    hold = bus.hold(line, driver, by)
    yield length_ns
    bus.let_go(hold, driver)


def played(transfer: Transfer, cut: Cut, recovery: Recovery = UNTIL_HIGH) -> CutRun:
    """Cut a transfer on a bus of its own and try to free it; short: some hundred edges."""
    run = _played(transfer, cut, recovery)
    if not run.truth.held:
        return run
    counted = _played(transfer, cut, COUNTING).truth
    truth = replace(run.truth, clocks_needed=counted.clocks_given[0])
    return CutRun(run.trace, run.transactions, truth)


def _played(transfer: Transfer, cut: Cut, recovery: Recovery) -> CutRun:
    schedule, trace = Schedule(), Trace()
    bus = Bus(schedule, trace)
    at = transfer.request[0] if transfer.request else 0
    registers = bytearray(256)
    if transfer.read:
        registers[at : at + len(transfer.data)] = transfer.data
    target = RegisterFile(
        bus, "target", transfer.address, registers=bytes(registers), ten_bit=transfer.ten_bit
    )
    task = schedule.start(_story(Controller(bus), target, transfer, cut, recovery))
    schedule.run_out()
    bus.ledger.finish()
    return CutRun(trace, bus.ledger.transactions, task.result)


def _story(
    controller: Controller, target: RegisterFile, transfer: Transfer, cut: Cut, recovery: Recovery
) -> Generator[Any, Any, CutTruth]:
    bus = controller.bus
    start_ns = yield from cut_transfer(controller, transfer, cut)
    left_ns = bus.schedule.now_ns
    yield recovery.wait_ns
    held, before = not bus.sda.driven, bytes(target.registers)
    recovery_ns = bus.schedule.now_ns
    given = []
    for number in range(recovery.times if held else 0):
        yield recovery.wait_ns if number else 0
        given.append((yield from _recover(controller, recovery)))
    yield HELD_NS
    return CutTruth(
        start_ns=start_ns,
        left_ns=left_ns,
        held=held,
        clocks_needed=0,  # see `played`
        recovery_ns=recovery_ns,
        clocks_given=tuple(given),
        freed=bus.sda.driven,
        written={k: now for k, now in enumerate(target.registers) if now != before[k]},
        end_ns=bus.schedule.now_ns,
    )


def _recover(controller: Controller, recovery: Recovery) -> Program[int]:
    if recovery.stop_in_each:
        return (yield from controller.stop_in_each_clock(clocks=recovery.clocks))
    clocks = yield from controller.clear_bus(
        clocks=recovery.clocks,
        until_high=recovery.until_high,
        sda_low=recovery.sda_low,
        stop=recovery.stop,
    )
    return clocks


def _zeros(octet: int) -> list[bool]:
    """Its bits that are 0, the most significant first."""
    return [not octet >> (7 - k) & 1 for k in range(8)]
