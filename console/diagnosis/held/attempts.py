"""Bursts of clocks without a START after a line was held: what each was, and what came of it.

Two levels do not say who pulls SDA. But in the acknowledge of a byte that is read a target never
does: SDA low there was pulled by whoever gave the clocks, and the target went on to its next byte;
or the line is not held by a target in the middle of a byte at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from console.diagnosis.held.clocks import Clocks, clocks_to_free
from console.diagnosis.held.standing import Standing
from console.diagnosis.held.wire import Wire
from console.diagnosis.held.writes import could_write, written_by
from console.diagnosis.scene import Int64s

Ended = Literal["stop", "start", "high", "low"]

_SLOTS = 9
_ACKNOWLEDGE = 8
# A transfer that stops for so long has been left, and two tries are further apart: 1 ms, or so many
# of its clocks. A first approach; clocks given by software are closer.
_LEAST_PAUSE_NS, _PAUSE_CLOCKS = 1_000_000, 20


@dataclass(frozen=True, slots=True)
class Attempt:
    """One burst.

    Attributes:
        from_ns: its first rise of SCL.
        until_ns: its last, or the START or STOP that ended it.
        clocks: how many; the rise that a STOP or START came in is none.
        bits: SDA in each, 0 or 1.
        freed_at: the first clock in which SDA was high, from 1; 0 when it was in none.
        freed_ns: when SDA rose; None when it did not.
        ended: by STOP or START, or SDA high or low without either.
        enough: whether they were at least those that were needed; None when nothing tells.
        released: whether SDA was high in every acknowledge of a read byte it went over; None when
            it went over none.
        beyond: clocks after SDA had risen.
        written: whole bytes they may have put into an open write: register or None, value.
        at_risk: more clocks than the one needed were given to an open write.
    """

    from_ns: int
    until_ns: int
    clocks: int
    bits: tuple[int, ...]
    freed_at: int
    freed_ns: int | None
    ended: Ended
    enough: bool | None
    released: bool | None
    beyond: int
    written: tuple[tuple[int | None, int], ...]
    at_risk: bool

    @property
    def freed(self) -> bool:
        """Whether SDA was high when it ended."""
        return self.ended != "low"

    @property
    def clocks_freed_it(self) -> bool:
        """Whether SDA was seen high before a STOP, or high enough for a START."""
        return self.freed_at > 0 or self.ended == "start"

    @property
    def low_again_at(self) -> int:
        """The clock after `freed_at` in which SDA was low again, from 1; 0 when in none."""
        rest = self.bits[self.freed_at :] if self.freed_at else ()
        return self.freed_at + rest.index(0) + 1 if 0 in rest else 0

    @property
    def is_zero_stream(self) -> bool:
        """Nine clocks or more, SDA low in the acknowledge of a read and low after them."""
        return self.clocks >= _SLOTS and self.released is False and self.ended == "low"


def left_at(wire: Wire, within_ns: int) -> int:
    """A time within the first pause of a transaction in which SDA stood low with SCL high.

    A driver may give its clocks before a line counts as held. Then the hold that is told is the one
    after them, and this is where the transfer was left.

    Args:
        wire: from before the START on.
        within_ns: within the hold that is told; given back when there is no such pause before it.
    """
    start = int(wire.condition_ns.searchsorted(within_ns, "right")) - 1
    if start < 0 or not wire.is_start[start]:
        return within_ns
    first = int(wire.rise_ns.searchsorted(wire.condition_ns[start], "right"))
    last = int(wire.rise_ns.searchsorted(within_ns, "right"))
    rises = wire.rise_ns[first:last]
    if len(rises) < 2:
        return within_ns
    high_ns = wire.next_fall_ns(rises[:-1]) - rises[:-1]
    pause_ns = _pause_ns(rises)
    left = np.flatnonzero((high_ns > pause_ns) & (wire.bit[first : last - 1] == 0))
    if not len(left):
        return within_ns
    return int(rises[left[0]] + high_ns[left[0]] // 2)


def _pause_ns(rises: Int64s) -> float:
    """What is a pause, by the clocks of a transfer."""
    usual = float(np.median(np.diff(rises))) if len(rises) > 1 else 0.0
    return max(_LEAST_PAUSE_NS, _PAUSE_CLOCKS * usual)


def attempts_after(wire: Wire, standing: Standing | None, from_ns: int) -> list[Attempt]:
    """The bursts after a hold began, up to the next START or STOP.

    Args:
        wire: to the end of the transaction.
        standing: where it stood when SDA was held; None when that is not known.
        from_ns: the beginning of the hold.
    """
    end = wire.condition_after(from_ns)
    end_ns = int(wire.condition_ns[end]) if end is not None else wire.until_ns
    first = int(wire.rise_ns.searchsorted(from_ns, "right"))
    last = int(wire.rise_ns.searchsorted(end_ns, "right"))
    rises = wire.rise_ns[first:last]
    if not len(rises):
        return []
    start = int(wire.condition_ns.searchsorted(from_ns, "right")) - 1
    begin_ns = int(wire.condition_ns[start]) if start >= 0 else 0
    pause_ns = _pause_ns(wire.rise_ns[wire.rise_ns.searchsorted(begin_ns) : first])
    cuts = np.flatnonzero(np.diff(rises) > pause_ns) + 1
    borders = [first, *(first + cuts).tolist(), last]
    found: list[Attempt] = []
    given: list[int] = []  # SDA in all clocks since the hold began
    for begin, until in pairwise(borders):
        is_last = until == last and end is not None and end_ns - int(rises[-1]) <= pause_ns
        attempt = _attempt(wire, slice(begin, until), end if is_last else None, given, standing)
        if attempt.clocks or attempt.ended != "start":  # else a transfer begins
            found.append(attempt)
        given += attempt.bits
    return found


def _attempt(
    wire: Wire, rows: slice, end: int | None, given: list[int], standing: Standing | None
) -> Attempt:
    """The burst of some rises, which condition `end` ended; `given` are the clocks before it."""
    rises = wire.rise_ns[rows]
    # The rise that the condition came in is no clock; long before one it was.
    count = rows.stop - rows.start - (end is not None and not wire.is_clock[rows.stop - 1])
    times, bits = rises[:count], wire.bit[rows][:count].tolist()
    freed_at = bits.index(1) + 1 if 1 in bits else 0
    until_ns = int(rises[-1])
    ended: Ended = "high" if wire.bit[rows.stop - 1] else "low"  # and stays: no condition followed
    if end is not None:
        until_ns, ended = int(wire.condition_ns[end]), "start" if wire.is_start[end] else "stop"
    freed_ns = until_ns if ended != "low" else None
    if freed_at:
        freed_ns = wire.sda_rose_ns(int(times[freed_at - 1]))
    needed = clocks_to_free(standing) if standing is not None and not given else None
    risk = standing is not None and could_write(standing) is not None
    whole = written_by(standing, [*given, *bits]) if standing is not None else ()
    earlier = written_by(standing, given) if standing is not None else ()
    return Attempt(
        from_ns=int(rises[0]),
        until_ns=until_ns,
        clocks=len(bits),
        bits=tuple(bits),
        freed_at=freed_at,
        freed_ns=freed_ns,
        ended=ended,
        enough=_enough(len(bits), ended != "low" or freed_at > 0, needed),
        released=_released(standing, len(given), bits),
        beyond=len(bits) - freed_at if freed_at else 0,
        written=whole[len(earlier) :],
        at_risk=risk and len(given) + len(bits) > 1,
    )


def _enough(given: int, freed: bool, needed: Clocks | None) -> bool | None:
    if freed:
        return True
    return given >= needed.most if needed is not None else None


def _released(standing: Standing | None, before: int, bits: list[int]) -> bool | None:
    """Whether SDA was high in the acknowledges of read bytes; nobody else pulls it there."""
    if standing is None or not standing.read or standing.turn != "target":
        return None
    slots = [(standing.slot + before + k + 1) % _SLOTS for k in range(len(bits))]
    seen = [bit for slot, bit in zip(slots, bits, strict=True) if slot == _ACKNOWLEDGE]
    return all(seen) if seen else None
