"""Whether a target's stretches grow over its life, until those that are too long are given up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from console.diagnosis.causes.clocks import Clocks
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.traffic import WHOLE
from console.diagnosis.scene import Int64s

_GREW = 1.5  # times, from the first tenth of the polls to the last
_FEWEST = 20  # polls


@dataclass(frozen=True, slots=True)
class Creep:
    """The stretches of one device, ns: of each transfer the longest LOW around an acknowledge."""

    stretches: bool
    early_ns: int
    late_ns: int
    last_ns: int  # of the first transfer that failed, or the last that did not
    rising: float  # rank correlation of stretch and time

    @property
    def grew(self) -> bool:
        """Whether they rose, by more than half."""
        return self.late_ns > _GREW * max(self.early_ns, 1) and self.rising > 0.6

    @property
    def last_longest(self) -> bool:
        """Whether the end came with the longest."""
        return self.last_ns >= 0.95 * self.late_ns


def creep_of(facts: Facts) -> Creep | None:
    """From the clocks at the beginning and the end of the healthy stretch."""
    clocks = facts.clocks
    if clocks is None or not clocks.low_usual_ns:
        return None
    longest = _longest(facts, clocks)
    early = facts.early_clocks
    if early is not None and early.until_ns < clocks.from_ns:
        longest = np.concatenate([_longest(facts, early), longest])
    if len(longest) < _FEWEST:
        return Creep(False, 0, 0, 0, 0.0)
    tenth = max(len(longest) // 10, 3)
    ranks = np.argsort(np.argsort(longest))
    rising = float(np.corrcoef(ranks, np.arange(len(longest)))[0, 1]) if np.ptp(longest) else 0.0
    late = int(np.percentile(longest[-tenth:], 90))
    return Creep(
        late > 2 * clocks.low_usual_ns,
        int(np.percentile(longest[:tenth], 90)),
        late,
        _last(facts, clocks),
        rising,
    )


def _longest(facts: Facts, clocks: Clocks) -> Int64s:
    """Of each whole read of the device, with its write, the longest stretch."""
    rows = facts.traffic.own_healthy.filter(WHOLE)
    polls = rows.filter(pl.col("read"))
    if polls.height < rows.height / 4:
        polls = rows
    starts, ends = polls["start_ns"].to_numpy(), polls["end_ns"].to_numpy()
    writes = rows.filter(~pl.col("read"))["start_ns"].to_numpy()
    before = writes.searchsorted(starts) - 1
    if len(writes):
        joined = (before >= 0) & (starts - writes[np.maximum(before, 0)] < 20 * MS)
        starts = np.where(joined, writes[np.maximum(before, 0)], starts)
    inside = (starts >= clocks.from_ns) & (ends <= clocks.until_ns)
    low = np.where((clocks.slot == 0) | (clocks.slot == 8), clocks.low_ns, 0)
    if not len(low) or not inside.any():
        return np.empty(0, np.int64)
    first = clocks.rise_ns.searchsorted(starts[inside])
    until = clocks.rise_ns.searchsorted(ends[inside], "right")
    full = until > first
    pairs = np.stack([first[full], until[full]], axis=1).reshape(-1)
    low = np.concatenate([low, [0]])
    return np.maximum.reduceat(low, pairs)[::2] if len(pairs) else np.empty(0, np.int64)


def _last(facts: Facts, clocks: Clocks) -> int:
    """The longest low where the dead stretch begins."""
    begin = facts.traffic.last_good_ns
    end = facts.dead[0] + 100 * MS
    near = (clocks.rise_ns > begin) & (clocks.rise_ns < end)
    return int(clocks.low_ns[near].max(initial=0)) if facts.stopped else 0
