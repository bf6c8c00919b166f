"""Episodes of traffic, plain and faulty; random traffic is a row of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.controller import Controller, length_of
from captures_demo.simulator.devices import RegisterFile, Stretchy
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.manners import HoldsClock, HoldsData, Manner, Refusing
from captures_demo.simulator.schedule import Program
from captures_demo.simulator.target import Target

PLAIN, SLOW, WIDE, CHECKED = 0x2E, 0x31, 0x2A5, 0x54  # the targets' addresses
MILLI = 1_000_000


@dataclass(slots=True)
class Players:
    """Who takes part in the acts."""

    dice: Dice
    bus: Bus
    controller: Controller
    plain: RegisterFile
    slow: Stretchy
    wide: RegisterFile  # with a 10-bit address
    checked: RegisterFile  # with a PEC

    def bytes_to_write(self) -> bytes:
        """A register and some bytes for it; empty at times."""
        return self.dice.payload(self.dice.below(6))


Act = Callable[[Players], Program[None]]


def behaving(target: Target, manner: Manner, act: Program[Any]) -> Program[None]:
    """One act during which a target behaves otherwise."""
    usual, target.manner = target.manner, manner
    yield from act
    target.manner = usual


# --- all as it should be


def write(on: Players) -> Program[None]:
    """A write to any 7-bit target."""
    yield from on.controller.write(on.dice.pick((PLAIN, SLOW, CHECKED)), on.bytes_to_write())


def read(on: Players) -> Program[None]:
    """A read from any 7-bit target."""
    length = length_of(1 + on.dice.below(6))
    yield from on.controller.read(on.dice.pick((PLAIN, SLOW, CHECKED)), length)


def register_read(on: Players) -> Program[None]:
    """Write, repeated START, read."""
    length = length_of(1 + on.dice.below(5))
    yield from on.controller.write_read(PLAIN, on.dice.payload(1), length)


def checked_read(on: Players) -> Program[None]:
    """SMBus read word with its PEC."""
    yield from on.controller.write_read(CHECKED, on.dice.payload(1), length_of(3))


def ten_bit(on: Players) -> Program[None]:
    """Both directions with a 10-bit address."""
    yield from on.controller.write(WIDE, on.bytes_to_write(), ten_bit=True)
    yield from on.controller.read(WIDE, length_of(2), ten_bit=True)


def general_call(on: Players) -> Program[None]:
    """General call: take in the programmable part of the address (UM10204 section 3.1.13)."""
    yield from on.controller.write(0x00, b"\x04")


def chained(on: Players) -> Program[None]:
    """Several transactions joined by repeated STARTs."""
    for _ in range(1 + on.dice.below(3)):
        yield from on.controller.write(PLAIN, on.bytes_to_write(), stop=False)
    yield from on.controller.read(PLAIN, length_of(2))


PLAIN_ACTS: tuple[Act, ...] = (
    write,
    read,
    register_read,
    checked_read,
    ten_bit,
    general_call,
    chained,
)

# --- faults


def address_nack(on: Players) -> Program[None]:
    """Nobody has that address."""
    yield from on.controller.write(0x40 + on.dice.below(16), on.bytes_to_write())


def data_nack(on: Players) -> Program[None]:
    """The target takes some bytes and no more."""
    act = on.controller.write(PLAIN, on.dice.payload(5))
    yield from behaving(on.plain, Refusing(on.dice.below(5)), act)


def read_end_acked(on: Players) -> Program[None]:
    """A read that ends with an ACK; the next byte is 0xFF, or its first bit would hold SDA."""
    on.plain.registers[0x12] = 0xFF
    yield from on.controller.write(PLAIN, b"\x10")
    yield from on.controller.read(PLAIN, length_of(2), ack_last=True)


def cut_in_byte(on: Players) -> Program[None]:
    """STOP or repeated START inside a byte that is being written."""
    controller, dice = on.controller, on.dice
    yield from controller.start()
    if dice.chance(0.7):
        yield from controller.write_byte(PLAIN << 1)
    # from eight bits on it might be the target's turn to pull SDA down
    yield from controller.write_bits(dice.below(256), dice.between(1, 7))
    if dice.chance(0.5):
        yield from controller.start()
        yield from controller.write_byte(PLAIN << 1)
    yield from controller.stop()


def void(on: Players) -> Program[None]:
    """START directly followed by STOP (UM10204 section 3.1.10 note 5)."""
    yield from on.controller.start()
    yield from on.controller.stop()


def reserved_address(on: Players) -> Program[None]:
    """A reserved address (UM10204 table 4) that nobody answers."""
    yield from on.controller.write(on.dice.between(1, 7), b"")


def wrong_pec(on: Players) -> Program[None]:
    """A read word whose PEC byte is not the right one: one read byte too late."""
    yield from on.controller.write_read(CHECKED, on.dice.payload(1), length_of(4))


def long_stretch(on: Players) -> Program[None]:
    """A target holds SCL for some ms in the middle."""
    manner = HoldsClock(on.dice.between(1, 9) * MILLI, on.dice.below(3))
    yield from behaving(on.plain, manner, on.controller.write(PLAIN, on.dice.payload(4)))


def scl_held(on: Players) -> Program[None]:
    """A target holds SCL until it is power-cycled."""
    manner = HoldsClock(None, on.dice.below(4))
    yield from behaving(on.plain, manner, on.controller.read(PLAIN, length_of(7)))
    yield from _power_cycled(on, "scl-held")


def sda_held(on: Players) -> Program[None]:
    """A target holds SDA in a read until it is power-cycled."""
    on.plain.registers[:] = bytes(256)  # there must be a low bit to keep
    manner = HoldsData(on.dice.between(1, 5), on.dice.below(8))
    yield from behaving(on.plain, manner, on.controller.read(PLAIN, length_of(7)))
    yield from _power_cycled(on, "sda-held")


def _power_cycled(on: Players, kind: str) -> Program[None]:
    on.bus.fault(kind, on.plain.name)
    yield on.dice.between(30, 60) * MILLI
    on.plain.power_cycle()
    yield MILLI


def orphaned_read(on: Players) -> Program[None]:
    """The controller leaves a read of zeros, then clocks SDA free (UM10204 section 3.1.16)."""
    on.plain.registers[:] = bytes(256)
    yield from on.controller.start()
    yield from on.controller.write_byte(PLAIN << 1 | 1)
    for _ in range(on.dice.between(1, 7)):
        yield from on.controller.clock_bit(low=False)
    yield from on.controller.abort()
    on.bus.fault("orphaned-read", on.plain.name)
    yield on.dice.between(1, 40) * MILLI
    yield from on.controller.clear_bus()


FAULTS: dict[str, Act] = {
    "address-nack": address_nack,
    "data-nack": data_nack,
    "read-end-acked": read_end_acked,
    "cut-in-byte": cut_in_byte,
    "void": void,
    "reserved-address": reserved_address,
    "pec": wrong_pec,
    "long-stretch": long_stretch,
    "scl-held": scl_held,
    "sda-held": sda_held,
    "orphaned-read": orphaned_read,
}
