"""The numbers of one variant: what differs between benches that die of the same cause."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace

from captures_demo.simulator.dice import Dice
from captures_demo.simulator.timing import FAST, STANDARD, BusTiming

MILLI = 1_000_000
SECOND = 1_000_000_000

# SDA moves later after SCL's fall than in `timing`, so that a coarse capture still tells the two
# apart; UM10204 table 11 allows 3.45 and 0.9 us (tVD;DAT).
STANDARD_BUS = replace(STANDARD, hold_data_ns=1_500)
FAST_BUS = replace(FAST, hold_data_ns=450)

# Periods of samples: whole ns, as instruments have them, and 16 to 25 to a bit.
STANDARD_SAMPLES_NS, FAST_SAMPLES_NS = (400, 500, 625), (100, 125)

PARTS = ("hopper", "tank", "torque", "belt", "camera", "label")
# Without those that UM10204 table 4 reserves, and without the mux's and the spare ones.
ADDRESSES = tuple(a for a in range(0x10, 0x68) if a not in (0x3C, 0x3D))
CAPTURES = ("vcd", "plain", "sample numbers", "vcd", "tabs")


@dataclass(frozen=True, slots=True)
class Part:
    """A sensor of the line: what its firmware and its data sheet say of it."""

    name: str
    address: int
    register: int  # of the count and the value, two bytes each
    order: str  # of their bytes
    pec: bool  # its reads end with an SMBus PEC

    @property
    def length(self) -> int:
        """Bytes of one read."""
        return 4 + self.pec


@dataclass(frozen=True, slots=True)
class Variant:
    """One bench and one course of events."""

    cause: str
    number: int
    seed: int
    timing: BusTiming
    rise_ns: int
    bit_ns: int  # nominal period of SCL
    sample_rate_hz: int
    part: Part  # the one that fails
    neighbours: tuple[Part, ...]
    joint_ns: int  # between register write and read; 0: a repeated START
    period_ns: int  # of its polls
    place: int  # the poll, from 1, at which it goes wrong
    dead: int  # polls after that
    stretch_limit_ns: int
    wording: int
    tick_unit_ns: int
    tick_first: int  # its value at power-on
    capture: str
    rates_ppb: tuple[int, int, int]  # of board, capture and host
    # what else is read of the failing part: name, register, bytes; and whether samples are longer
    more: tuple[tuple[str, int, int], ...] = ()
    longer: bool = False
    settings: int = -1  # a register of it that is written; -1: none

    @property
    def polls(self) -> int:
        """All polls of the failing part."""
        return self.place + self.dead

    def with_samples(self, each_ns: int) -> Variant:
        """The same, sampled so finely: for pulses much narrower than a bit."""
        return replace(self, sample_rate_hz=SECOND // each_ns)

    def joined(self, *more: tuple[str, int, int]) -> Variant:
        """The same with repeated STARTs, and more registers of the failing part that are read."""
        return replace(self, joint_ns=0, more=more)

    def lasting(self, after_ns: int) -> Variant:
        """The same with at least so much time after the place."""
        return replace(self, dead=max(self.dead, after_ns // self.period_ns + 1))

    def with_part(self, **changes: object) -> Variant:
        """The same with another kind of failing part."""
        return replace(self, part=replace(self.part, **changes))  # type: ignore[arg-type]


def variant_of(cause: str, number: int) -> Variant:
    """The variant of that number of a cause; the same every time.

    Raises:
        ValueError: for a negative number.
    """
    if number < 0:
        raise ValueError(f"variants count from 0, not {number}")
    seed = zlib.crc32(f"{cause} {number}".encode())
    dice = Dice(seed, "variant")
    fast = dice.chance(0.4)
    timing, bit_ns = (FAST_BUS, 2_500) if fast else (STANDARD_BUS, 10_000)
    parts = _parts(dice)
    return Variant(
        cause,
        number,
        seed,
        timing,
        rise_ns=dice.between(80, 200) if fast else dice.between(200, 500),
        bit_ns=bit_ns,
        sample_rate_hz=SECOND // dice.pick(FAST_SAMPLES_NS if fast else STANDARD_SAMPLES_NS),
        part=parts[0],
        neighbours=parts[1 : 2 + dice.below(2)],
        joint_ns=0 if dice.chance(0.7) else dice.between(100, 900) * 1_000,
        period_ns=dice.between(25, 120) * MILLI + dice.below(MILLI),
        place=dice.between(60, 170),
        dead=dice.between(24, 44),
        stretch_limit_ns=dice.pick((5, 10, 25, 50)) * MILLI,
        wording=dice.below(4),
        tick_unit_ns=dice.pick((1_000, 1_000, MILLI)),
        tick_first=dice.below(100_000_000),
        capture=CAPTURES[dice.below(len(CAPTURES))],
        rates_ppb=(dice.below(80_000) - 40_000, dice.below(20_000) - 10_000, dice.below(20_000)),
    )


def _parts(dice: Dice) -> tuple[Part, ...]:
    """Three parts of different names and addresses; the first is the one that fails."""
    names, addresses, parts = list(PARTS), list(ADDRESSES), []
    for _ in range(3):
        name = names.pop(dice.below(len(names)))
        address = addresses.pop(dice.below(len(addresses)))
        order = dice.pick(("little", "big"))
        parts.append(Part(name, address, dice.between(0x02, 0x5C), order, dice.chance(0.5)))
    return tuple(parts)
