"""Which bytes come before a change of SDA inside a byte, and never before anything else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.diagnosis.causes.clocks import Clocks
from console.diagnosis.causes.facts import Facts
from console.diagnosis.scene import Bools, is_own

Bytes = npt.NDArray[np.uint8]
Rows = npt.NDArray[np.intp]

_FEWEST = 10  # bytes of the device that passed, without which nothing is told apart


@dataclass(frozen=True, slots=True)
class Pattern:
    """What conditions inside bytes follow."""

    inside: int
    first_ns: int
    bit: int  # set in every byte before one and in no other; -1: none
    value: int  # the one byte before all of them; -1: they differ, or it stands elsewhere too

    @property
    def explained(self) -> bool:
        """Whether the data tell when it happens."""
        return self.inside >= 2 and (self.bit >= 0 or self.value >= 0)

    @property
    def words(self) -> str:
        """The pattern."""
        return f"bytes with bit {self.bit} set" if self.bit >= 0 else f"the byte 0x{self.value:02X}"


def pattern_of(facts: Facts) -> Pattern:
    """Of the clocks around the end; to be called only where there are clocks."""
    clocks = facts.clocks
    assert clocks is not None
    ends = clocks.rise_ns.searchsorted(clocks.inside_ns, "right") - 1
    own, reads_of = _transfers_of(facts, clocks, ends)
    ends = ends[own]
    first_ns = int(clocks.inside_ns[own][0]) if len(ends) else 0
    at = ends[clocks.slot[ends] == 8]
    struck = _bytes_before(clocks, at)
    if len(struck) < 2:
        return Pattern(len(ends), first_ns, -1, -1)
    reads = bool(np.mean(reads_of[own][clocks.slot[ends] == 8]) > 0.5)
    others = _others(clocks, facts, at, reads=reads)  # those acknowledged alike
    if len(others) < _FEWEST:
        return Pattern(len(ends), first_ns, -1, -1)
    common = int(np.bitwise_and.reduce(struck))
    ever = int(np.bitwise_or.reduce(others))
    bits = [bit for bit in range(7, -1, -1) if common >> bit & 1 and not ever >> bit & 1]
    alike = len(set(struck.tolist())) == 1 and len(struck) >= 3 and struck[0] not in others
    return Pattern(len(ends), first_ns, bits[0] if bits else -1, int(struck[0]) if alike else -1)


def _bytes_before(clocks: Clocks, acknowledges: Rows) -> Bytes:
    """uint8[k]: the eight bits before each acknowledge clock."""
    at = acknowledges[acknowledges >= 8]
    bits = clocks.sda[at[:, None] + np.arange(-8, 0)]
    return np.packbits(bits, axis=1).reshape(-1)


def _transfers_of(facts: Facts, clocks: Clocks, at: Rows) -> tuple[Bools, Bools]:
    """bool[k], twice: whether each of these clocks lies in a transfer of the device, in a read.

    A driver has other speeds and other ways for other devices.
    """
    bus = facts.traffic.bus
    own = bus.select(is_own(facts.scene.episode).fill_null(value=False)).to_series().to_numpy()
    reads = bus["read"].fill_null(value=False).to_numpy()
    row = facts.traffic.bus_start_ns.searchsorted(clocks.rise_ns[at], "right") - 1
    inside = np.maximum(row, 0)
    none = np.zeros(len(row), np.bool_)
    return (none, none) if not len(own) else ((row >= 0) & own[inside], (row >= 0) & reads[inside])


def _others(clocks: Clocks, facts: Facts, struck: Rows, *, reads: bool) -> Bytes:
    """The bytes of the same direction that passed; an address byte is the controller's own."""
    passed = np.setdiff1d(np.flatnonzero(clocks.slot == 8), struck)
    passed = passed[passed >= 17]  # with a whole byte before it
    starts = clocks.start_ns.searchsorted(clocks.rise_ns)
    passed = passed[starts[passed] == starts[passed - 9]]
    # In a ninth clock that nobody pulls low, nobody can let go of SDA.
    passed = passed[clocks.sda[passed] == (np.mean(clocks.sda[struck]) > 0.5)]
    own, reads_of = _transfers_of(facts, clocks, passed)
    return _bytes_before(clocks, passed[own & (reads_of == reads)])
