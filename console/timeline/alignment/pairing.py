"""Pairs of events on two clocks that carry the same value: what may be anchors.

Two ways. Where a value comes once in each of two runs, the two events are a pair. Where values come
again and again (a counter of four bits, a few states), every offset under which many of them meet
is a way to pair them; several such offsets a period apart are each told, for somebody else to see
that nothing tells them apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.series import Series

Int64s = npt.NDArray[np.int64]

LEAST_PAIRS = 3
MOST_MEETINGS = 4_000_000  # equal values times equal values beyond which none are told apart
BIN_NS = 250_000_000  # offsets closer than this are one; delays of a serial port or broker are less
MOST_OFFSETS = 6
WORTH_SHARE = 0.3  # of the meetings at the best offset that another one needs to be told


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Where the keys of one run stand: k events on one clock."""

    keys: Int64s  # [k]
    t_ns: Int64s  # [k]
    row: Int64s  # [k] rows of the source


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Events of two clocks that carried the same value, k of them, by the first source's rows."""

    own_ns: Int64s
    other_ns: Int64s
    own_row: Int64s
    other_row: Int64s

    def __len__(self) -> int:
        return len(self.own_ns)

    def taken(self, at: npt.NDArray[np.bool_]) -> Pairs:
        """The pairs under a mask, as a copy."""
        return Pairs(self.own_ns[at], self.other_ns[at], self.own_row[at], self.other_row[at])


def runs_of(
    series: Series, t_ns: Int64s, inside: npt.NDArray[np.bool_] | None = None
) -> list[Seen]:
    """The runs of a series, times as given, only events `inside`."""
    run = series.run
    keep = np.ones(len(run), np.bool_) if inside is None else inside
    return [
        Seen(series.keys[at], t_ns[at], series.row[at])
        for k in range(int(run[-1]) + 1 if len(run) else 0)
        if len(at := np.flatnonzero(keep & (run == k))) >= LEAST_PAIRS
    ]


def pairs_of(own: Seen, other: Seen) -> Iterator[Pairs]:
    """Every way to pair two runs that many values agree with; often one, or none."""
    mine, theirs = _once(own), _once(other)
    _, a, b = np.intersect1d(mine.keys, theirs.keys, assume_unique=True, return_indices=True)
    if len(a) >= LEAST_PAIRS:
        yield _in_order(mine, a, theirs, b)
        return
    yield from _by_votes(own, other)


def _once(seen: Seen) -> Seen:
    """The keys that come exactly once, sorted."""
    keys, at, counts = np.unique(seen.keys, return_index=True, return_counts=True)
    alone = counts == 1
    return Seen(keys[alone], seen.t_ns[at[alone]], seen.row[at[alone]])


def _by_votes(own: Seen, other: Seen) -> Iterator[Pairs]:
    """Pair by the offsets at which most equal values meet."""
    meetings = _meetings(own, other)
    if meetings is None:
        return
    own_at, other_at = meetings
    gap = other.t_ns[other_at] - own.t_ns[own_at]
    for low, high in _crowded(gap):
        inside = np.flatnonzero((gap >= low) & (gap <= high))
        _, first = np.unique(own_at[inside], return_index=True)
        chosen = inside[first]
        _, first = np.unique(other_at[chosen], return_index=True)
        chosen = chosen[first]
        if len(chosen) >= LEAST_PAIRS:
            yield _in_order(own, own_at[chosen], other, other_at[chosen])


def _meetings(own: Seen, other: Seen) -> tuple[Int64s, Int64s] | None:
    """Every event of one with every event of the other that has its key; None when too many."""
    order = np.argsort(other.keys, kind="stable")
    keys = other.keys[order]
    low, high = np.searchsorted(keys, own.keys), np.searchsorted(keys, own.keys, side="right")
    counts = high - low
    total = int(counts.sum())
    if not LEAST_PAIRS <= total <= MOST_MEETINGS:
        return None
    own_at = np.repeat(np.arange(len(counts)), counts)
    within = np.arange(total) - np.repeat(np.cumsum(counts) - counts, counts)
    return own_at, order[np.repeat(low, counts) + within]


def _crowded(gap: Int64s) -> Iterator[tuple[int, int]]:
    """The ranges of offsets that are most crowded, most crowded first, none next to another."""
    base = int(gap.min())
    bins, counts = np.unique((gap - base) // BIN_NS, return_counts=True)
    together = counts.copy()  # a crowd may lie across a border: count each bin with its next
    touching = np.diff(bins) == 1
    together[:-1][touching] += counts[1:][touching]
    best = int(together.max())
    taken: list[int] = []
    for at in np.argsort(-together, kind="stable"):
        start = int(bins[at])
        if together[at] < max(LEAST_PAIRS, WORTH_SHARE * best) or len(taken) == MOST_OFFSETS:
            return
        if all(abs(start - other) > 2 for other in taken):
            taken.append(start)
            yield base + start * BIN_NS, base + (start + 2) * BIN_NS


def _in_order(own: Seen, own_at: Int64s, other: Seen, other_at: Int64s) -> Pairs:
    order = np.argsort(own.row[own_at], kind="stable")
    own_at, other_at = own_at[order], other_at[order]
    return Pairs(own.t_ns[own_at], other.t_ns[other_at], own.row[own_at], other.row[other_at])
