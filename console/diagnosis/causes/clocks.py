"""The clocks and conditions of a stretch of wire as columns: what signs of wires are read from.

Unlike the decoder's tables these keep every edge there is, pulses narrower than its filter too.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from console.diagnosis.scene import Bools, Int64s, Levels

OUTSIDE = -1  # the slot of a clock that no START came before
SAMPLES_A_PULSE = 3  # narrower than this many samples, a pulse's width says little
_NO_TIMES = np.empty(0, np.int64)


@dataclass(frozen=True, eq=False)  # no slots: what is usual is worked out once
class Clocks:
    """n SCL pulses and c conditions in time order; times in ns on the common axis."""

    rise_ns: Int64s  # [n]
    high_ns: Int64s  # [n] to the next fall, or to the end of what is known
    low_ns: Int64s  # [n] before the rise; 0 where the fall was not seen
    sda: Bools  # [n] at the rise
    slot: Int64s  # [n] 0..8 in its byte, counted since START; OUTSIDE where none is open
    start_ns: Int64s  # [s] START and repeated START conditions
    stop_ns: Int64s  # [p]
    inside_ns: Int64s  # [i] conditions inside a byte
    void_ns: Int64s  # [v] START conditions that no clock followed
    falls_ns: tuple[Int64s, Int64s]  # falls of SCL, of SDA
    edges_ns: tuple[Int64s, Int64s]  # all changes of SCL, of SDA
    from_ns: int
    until_ns: int

    def __len__(self) -> int:
        return len(self.rise_ns)

    @cached_property
    def high_usual_ns(self) -> int:
        """Median SCL HIGH within bytes, 0 when there are too few."""
        return _median(self.high_ns[self.within])

    @cached_property
    def low_usual_ns(self) -> int:
        """Median SCL LOW within bytes, 0 when there are too few."""
        return _median(self.low_ns[self.within])

    @cached_property
    def within(self) -> Bools:
        """bool[n]: clocks 1..7 of a byte, which no acknowledge touches (UM10204 section 3.1.9)."""
        return np.asarray((self.slot >= 1) & (self.slot <= 7), np.bool_)

    @property
    def bit_ns(self) -> int:
        """One usual clock."""
        return self.high_usual_ns + self.low_usual_ns

    def stretched(self, times: float = 2.0) -> Bools:
        """bool[n]: clocks whose low around an acknowledge was so many times the usual one."""
        at_acknowledge = np.isin(self.slot, (0, 8))
        return np.logical_and(at_acknowledge, self.low_ns > times * self.low_usual_ns)


def clocks_of(levels: Levels) -> Clocks:
    """Read a stretch of wire."""
    t_ns = levels.t_ns
    scl, sda = levels.scl, levels.sda
    changes = np.flatnonzero(scl[1:] != scl[:-1]) + 1
    rises, falls = changes[scl[changes]], changes[~scl[changes]]
    sda_rows = np.flatnonzero(sda[1:] != sda[:-1]) + 1
    in_high = sda_rows[scl[sda_rows] & scl[sda_rows - 1]]
    is_start = ~sda[in_high]
    conditions = t_ns[in_high]
    rise_ns, fall_ns = t_ns[rises], t_ns[falls]
    slot = _slots(rise_ns, conditions, is_start)
    falls_first = len(scl) > 0 and bool(scl[0])
    high_ns, low_ns = _widths(rise_ns, fall_ns, levels.until_ns, falls_first=falls_first)
    return Clocks(
        rise_ns=rise_ns,
        high_ns=high_ns,
        low_ns=low_ns,
        sda=sda[rises],
        slot=slot,
        start_ns=conditions[is_start],
        stop_ns=conditions[~is_start],
        inside_ns=_inside(rise_ns, slot, conditions),
        void_ns=_void(rise_ns, conditions, is_start),
        falls_ns=(fall_ns, t_ns[sda_rows[~sda[sda_rows]]]),
        edges_ns=(t_ns[changes], t_ns[sda_rows]),
        from_ns=int(t_ns[0]) if len(t_ns) else levels.until_ns,
        until_ns=levels.until_ns,
    )


def _slots(rise_ns: Int64s, conditions: Int64s, is_start: Bools) -> Int64s:
    """Clocks since the last START, modulo 9."""
    n = len(rise_ns)
    first = np.append(rise_ns.searchsorted(conditions), n)  # clock after each condition
    slots = np.full(n, OUTSIDE, np.int64)
    slots[first[0] :] = np.arange(first[0], n) - np.repeat(first[:-1], np.diff(first))
    slots[first[0] :] %= 9
    slots[first[0] :][~np.repeat(is_start, np.diff(first))] = OUTSIDE
    return slots


def _inside(rise_ns: Int64s, slot: Int64s, conditions: Int64s) -> Int64s:
    """Conditions whose clock is not the first after a whole byte."""
    clock = rise_ns.searchsorted(conditions, "right") - 1
    seen = clock >= 0
    previous = np.concatenate([[-1], conditions[:-1]])
    fresh = seen & (rise_ns[np.maximum(clock, 0)] > previous) if len(rise_ns) else seen
    slots = slot[np.maximum(clock, 0)] if len(rise_ns) else np.zeros(len(clock), np.int64)
    return conditions[fresh & (slots > 0)]


def _void(rise_ns: Int64s, conditions: Int64s, is_start: Bools) -> Int64s:
    """START conditions before whose end no clock rises."""
    clocks = rise_ns.searchsorted(conditions)
    ends = np.concatenate([clocks[1:], [len(rise_ns)]]) if len(clocks) else clocks
    return np.asarray(conditions[is_start & (ends == clocks)], np.int64)


def _widths(
    rise_ns: Int64s, fall_ns: Int64s, until_ns: int, *, falls_first: bool
) -> tuple[Int64s, Int64s]:
    """Of each rise the high behind it and the low before it: rises and falls alternate."""
    n = len(rise_ns)
    begins = fall_ns if falls_first else np.concatenate([rise_ns[:1], fall_ns])
    ends = np.append(fall_ns[falls_first:], np.int64(until_ns))
    return ends[:n] - rise_ns, rise_ns - begins[:n]


def _median(values: Int64s) -> int:
    return int(np.median(values)) if len(values) >= 3 else 0


def pulses_below(edges_ns: Int64s, width_ns: float) -> Int64s:
    """Begins of the pulses of one line that are narrower: two changes so close to each other."""
    if width_ns <= 0 or len(edges_ns) < 2:
        return _NO_TIMES
    return edges_ns[:-1][np.diff(edges_ns) < width_ns]


def near(times: Int64s, others: Int64s, before_ns: int, after_ns: int) -> npt.NDArray[np.bool_]:
    """bool[n]: whether any of `others` lies in [time - before_ns, time + after_ns]."""
    first = others.searchsorted(times - before_ns, "left")
    return np.greater(others.searchsorted(times + after_ns, "right"), first)
