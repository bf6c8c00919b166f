"""Silences: what else happened while one target was not asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from console.watch.gaps import NEVER, Ints

MIN_SILENCE_NS = 1_000_000_000  # shorter ones are never called one
TIMES_LONGEST = 3  # how much longer than any before it a silence must be
_SPANS_KEPT = 256


@dataclass(frozen=True, slots=True)
class Silence:
    """A long gap between two transactions of a target, or after its last."""

    from_ns: int  # end of the last transaction before it
    until_ns: int  # start of the next, or the end of what was observed
    longest_before_ns: int  # longest gap before this one
    life_ns: int  # last other event on the bus, or print, before until_ns
    observed: bool  # the bus was watched all the time
    held_ns: int  # for how long a line was held low inside it
    held_from_ns: int
    clock_held: bool


class Lifeline:
    """The times of other events, of which one question is asked: the last before some time."""

    def __init__(self) -> None:
        self._times = np.empty(0, np.int64)
        self._before = NEVER  # the last one of earlier batches

    def feed(self, times_ns: Ints) -> None:
        """Take a batch's times, sorted."""
        if len(self._times):
            self._before = max(self._before, int(self._times[-1]))
        self._times = times_ns

    def last_before(self, t_ns: int) -> int:
        """The last time before `t_ns`, which is not before the last batch."""
        at = int(np.searchsorted(self._times, t_ns))
        return max(self._before, int(self._times[at - 1])) if at else self._before


@dataclass(slots=True)
class Spans:
    """Spans of time by their start; the last ones stay known."""

    start_ns: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    end_ns: Ints = field(default_factory=lambda: np.empty(0, np.int64))

    def feed(self, start_ns: Ints, end_ns: Ints) -> None:
        """Take a batch's spans, sorted by start."""
        self.start_ns = np.concatenate([self.start_ns[-_SPANS_KEPT:], start_ns])
        self.end_ns = np.concatenate([self.end_ns[-_SPANS_KEPT:], end_ns])

    def inside(self, from_ns: int, until_ns: int) -> tuple[int, int]:
        """How long spans last inside a stretch, and when the first of them begins there.

        Of the spans that began before `until_ns` the last `_SPANS_KEPT` count.
        """
        last = int(np.searchsorted(self.start_ns, until_ns))
        first = max(0, last - _SPANS_KEPT)
        start = np.maximum(self.start_ns[first:last], from_ns)
        end = np.minimum(self.end_ns[first:last], until_ns)
        inside = end > start
        if not inside.any():
            return 0, until_ns
        return int((end - start)[inside].sum()), int(start[inside][0])


@dataclass(slots=True)
class BusLife:
    """What is known of one bus besides its targets."""

    traffic: Lifeline = field(default_factory=Lifeline)
    prints: Lifeline = field(default_factory=Lifeline)  # those made while the bus was watched
    sda_held: Spans = field(default_factory=Spans)
    scl_held: Spans = field(default_factory=Spans)
    unobserved: Spans = field(default_factory=Spans)
    seen_until_ns: int = NEVER  # the latest end of anything seen of the bus

    def seen(self, end_ns: pl.Series) -> None:
        """Something was seen of the bus up to these times."""
        if len(end_ns):
            self.seen_until_ns = max(self.seen_until_ns, int(end_ns.max()))  # type: ignore[arg-type]

    def observed_until(self, source: str, until_ns: int, known: Mapping[str, int]) -> int:
        """Until when the bus can be judged: as told, else as far as something was seen of it."""
        return min(until_ns, known.get(source, self.seen_until_ns))


class SilenceFinder:
    """A fold over one target's transactions that keeps the few gaps worth a look."""

    def __init__(self) -> None:
        self._last_end_ns: int | None = None
        self._longest_ns = 0

    def feed(self, start_ns: Ints, end_ns: Ints, bus: BusLife) -> list[Silence]:
        """Take the next transactions, n >= 1; return the silences that they end."""
        before = start_ns[0] if self._last_end_ns is None else self._last_end_ns
        gaps = start_ns - np.concatenate([[before], end_ns[:-1]])
        longest = np.maximum.accumulate(np.concatenate([[self._longest_ns], gaps]))
        wanted = (gaps >= MIN_SILENCE_NS) & (gaps > TIMES_LONGEST * longest[:-1])
        for held in (bus.sda_held, bus.scl_held):
            at = np.searchsorted(start_ns, held.end_ns)
            wanted[at[at < len(start_ns)]] = True
        found = [
            self._silence(int(start_ns[k] - gaps[k]), int(start_ns[k]), int(longest[k]), bus)
            for k in np.flatnonzero(wanted)
            if gaps[k] > 0
        ]
        self._last_end_ns = int(end_ns[-1])
        self._longest_ns = int(longest[-1])
        return found

    def finish(self, until_ns: int, bus: BusLife) -> Silence | None:
        """The silence after the last transaction, up to the end of what was observed."""
        if self._last_end_ns is None or until_ns <= self._last_end_ns:
            return None
        return self._silence(self._last_end_ns, until_ns, self._longest_ns, bus)

    def _silence(self, from_ns: int, until_ns: int, longest_ns: int, bus: BusLife) -> Silence:
        sda_ns, sda_from_ns = bus.sda_held.inside(from_ns, until_ns)
        scl_ns, scl_from_ns = bus.scl_held.inside(from_ns, until_ns)
        return Silence(
            from_ns=from_ns,
            until_ns=until_ns,
            longest_before_ns=longest_ns,
            life_ns=max(bus.traffic.last_before(until_ns), bus.prints.last_before(until_ns)),
            observed=bus.unobserved.inside(from_ns, until_ns)[0] == 0,
            held_ns=max(sda_ns, scl_ns),
            held_from_ns=scl_from_ns if scl_ns >= sda_ns else sda_from_ns,
            clock_held=scl_ns >= sda_ns,
        )
