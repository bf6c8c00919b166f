"""Rows cut into segments by their conditions, and the segment that is still open.

A segment begun by a START is a transaction, one begun by a STOP lies between transactions, and the
one before the first condition of an observed stretch is unseen: a transaction whose beginning was
not seen, so its bits have no byte borders.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from decoders.buses.i2c_conditions import WireEvents
from decoders.buses.transactions import problem_bit

OUTSIDE, OPEN, UNSEEN = range(3)  # kinds of segment

SCL_HELD_PROBLEM = problem_bit("scl-held")
SPIKE_PROBLEM = problem_bit("spike")

_NO_BITS = np.empty(0, np.uint8)


@dataclass(frozen=True, slots=True)
class Header:
    """What the row before said of a transaction that is split into several rows."""

    address: int
    address_bits: int
    read: bool
    address_acked: bool
    last_acked: bool  # whether the last byte before the split was acknowledged


@dataclass(slots=True)
class Segment:
    """What is known of the segment that is open."""

    kind: int
    start_ns: int
    started_by: int
    bits: list[npt.NDArray[np.uint8]] = field(default_factory=list)  # SDA at each rise, OPEN only
    rises: int = 0
    scl_low_max_ns: int = 0
    problems: int = 0
    header: Header | None = None

    def all_bits(self) -> npt.NDArray[np.uint8]:
        """The bits as one array, uint8[rises]; not a copy."""
        if len(self.bits) > 1:
            self.bits = [np.concatenate(self.bits)]
        return self.bits[0] if self.bits else _NO_BITS


@dataclass(slots=True, eq=False)
class Block:
    """n rows with their events, and the segments these make: c conditions make c + 1.

    Segment 0 began before the block; the last one goes on after it.
    """

    t_ns: npt.NDArray[np.int64]  # [n]
    scl: npt.NDArray[np.uint8]  # [n + 1] row 0 the state before
    sda: npt.NDArray[np.uint8]  # [n + 1]
    gap_ns: npt.NDArray[np.int64]  # [n] since the row before
    events: WireEvents
    quiet: npt.NDArray[np.intp]  # rows with a gap of the hold limit or more before them
    condition_ns: npt.NDArray[np.int64]  # [c]
    low_ns: npt.NDArray[np.int64]  # [r + 1] SCL low before each rise; the last is 0
    kinds: npt.NDArray[np.int8]  # [c + 1]
    first_rise: npt.NDArray[np.intp]  # [c + 1] of each segment
    rises: npt.NDArray[np.intp]  # [c + 1] in each segment
    scl_low_max_ns: npt.NDArray[np.int64]  # [c + 1]
    problems: npt.NDArray[np.uint32]  # [c + 1]
    held_ns: int  # limit of holds


def block_of(
    t_ns: npt.NDArray[np.int64],
    scl: npt.NDArray[np.uint8],
    sda: npt.NDArray[np.uint8],
    gap_ns: npt.NDArray[np.int64],
    events: WireEvents,
    open_kind: int,
    held_ns: int,
) -> Block:
    """Cut rows into segments.

    Args:
        t_ns: int64[n], n > 0.
        scl: uint8[n + 1].
        sda: uint8[n + 1].
        gap_ns: int64[n].
        events: of these rows.
        open_kind: kind of the segment that is open before them.
        held_ns: limit of holds.
    """
    r, c = len(events.rises), len(events.conditions)
    kinds = np.empty(c + 1, np.int8)
    kinds[0], kinds[1:] = open_kind, events.is_start
    first_rise = np.zeros(c + 1, np.intp)
    first_rise[1:] = events.rises_before
    rises = np.empty(c + 1, np.intp)
    np.subtract(first_rise[1:], first_rise[:-1], out=rises[:-1])
    rises[-1] = r - first_rise[-1]
    low_ns = np.empty(r + 1, np.int64)
    np.subtract(events.rise_ns, events.fall_ns[:-1], out=low_ns[:-1])
    low_ns[-1] = 0  # so that every segment has a place to begin, even without a rise
    low_max = np.maximum.reduceat(low_ns, first_rise)
    low_max *= rises > 0  # reduceat gives an empty segment the next one's first
    problems = np.zeros(c + 1, np.uint32)
    if low_max.max() >= held_ns:
        problems[low_max >= held_ns] = SCL_HELD_PROBLEM
    quiet = (gap_ns >= held_ns).nonzero()[0]
    return Block(
        t_ns=t_ns,
        scl=scl,
        sda=sda,
        gap_ns=gap_ns,
        events=events,
        quiet=quiet,
        condition_ns=t_ns.take(events.conditions),
        low_ns=low_ns,
        kinds=kinds,
        first_rise=first_rise,
        rises=rises,
        scl_low_max_ns=low_max,
        problems=problems,
        held_ns=held_ns,
    )
