"""Clocks that belong to no transfer: those that should free a line, and dips of both lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from console.diagnosis.causes.clocks import Clocks, near
from console.diagnosis.scene import Bools, Int64s

_DIP_FROM_NS, _DIP_TO_NS = 100, 2_000  # the dips described are 600 to 750 ns wide
_NONE = np.empty(0, np.int64)
SMBUS_NS = 25_000_000  # SMBus 3.2, tTIMEOUT: what is shorter may be a stretch
_APART = 4.0  # a burst ends where the next clock is so many times the burst's usual step away


@dataclass(frozen=True, slots=True)
class Burst:
    """Clocks in a row without a START."""

    from_ns: int
    until_ns: int
    clocks: int
    freed_after: int  # the first clock before which SDA was seen high, counted from 1; 0: never
    ninth_low: bool  # SDA low in the ninth clock too


def bursts_of(clocks: Clocks, from_ns: int) -> list[Burst]:
    """Clocks after a moment that no START came before, cut where a long pause is.

    Also those after an open transfer was left: they follow a pause of many bits.
    """
    chosen = clocks.rise_ns >= from_ns
    rises, sda = clocks.rise_ns[chosen], clocks.sda[chosen]
    if not len(rises):
        return []
    step = np.diff(rises)
    usual = float(np.median(step)) if len(step) else 0.0
    started = np.diff(clocks.start_ns.searchsorted(rises)) > 0
    cuts = np.flatnonzero((step > _APART * max(usual, 1.0)) | started) + 1
    groups = np.split(np.arange(len(rises)), cuts)
    begun = [bool(_starts_within(clocks, rises, group, from_ns)) for group in groups]
    return [_burst(rises[g], sda[g]) for g, has in zip(groups, begun, strict=True) if not has]


def _starts_within(clocks: Clocks, rises: Int64s, group: Int64s, from_ns: int) -> bool:
    """Whether a START opens this group: it lies after the clocks before it."""
    first = int(group[0])
    before = int(rises[first - 1]) if first else from_ns
    at = clocks.start_ns.searchsorted([before, int(rises[first])])
    return bool(at[1] > at[0])


def _burst(rises: Int64s, sda: Bools) -> Burst:
    high = np.flatnonzero(sda)
    return Burst(
        int(rises[0]),
        int(rises[-1]),
        len(rises),
        int(high[0]) + 1 if len(high) else 0,
        len(rises) >= 9 and not bool(sda[8]),
    )


def dips_of(clocks: Clocks) -> Int64s:
    """Both lines low for 0.1 to 2 us within 1 us of each other, far from all clocks: begin, ns."""
    rises, widths = clocks.rise_ns, clocks.low_ns
    if len(rises) < 1 or len(clocks.edges_ns[1]) < 2:
        return _NONE
    apart = 3 * max(clocks.bit_ns, _DIP_TO_NS)
    begins = rises - widths
    before = np.concatenate([[apart + 1], begins[1:] - rises[:-1]])
    lone = (before > apart) & (clocks.high_ns > apart)
    begins = begins[lone & (widths >= _DIP_FROM_NS) & (widths <= _DIP_TO_NS)]
    sda = clocks.edges_ns[1]
    low = np.isin(sda[:-1], clocks.falls_ns[1]) & (np.diff(sda) <= _DIP_TO_NS)
    return begins[near(begins, sda[:-1][low], 1_000, 1_000)]


def clocked_by_hand(clocks: Clocks) -> list[int]:
    """Where a stretch inside a transfer was followed by at least three clocks of another period."""
    if not clocks.bit_ns:
        return []
    pause = 5 * clocks.bit_ns
    stretched = np.flatnonzero((clocks.low_ns > pause) & (clocks.low_ns < SMBUS_NS))
    step = np.diff(clocks.rise_ns, append=clocks.until_ns)
    ratio = step / clocks.bit_ns
    other = (ratio > 2) | (ratio < 0.5)
    found = []
    for k in stretched.tolist():
        after = slice(k, k + 4)
        same = clocks.start_ns.searchsorted(clocks.rise_ns[after])
        if len(same) == 4 and same[0] == same[-1] and other[k : k + 3].all():
            steady = np.ptp(step[k + 1 : k + 3]) < 0.5 * np.median(step[k + 1 : k + 3])
            if steady:
                found.append(int(clocks.rise_ns[k]))
    return found
