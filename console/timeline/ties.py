"""What ties a source to those on the axis: every way to pair their values, and which agree.

Two counters of equal pace fit at any offset, and a value that comes again every few seconds fits at
many: when another offset has nearly as much for it as the best, it is a rival, and told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from console.timeline.clocks import ClockMap
from console.timeline.pairing import Pairs, Seen, pairs_of, runs_of
from console.timeline.rough import RoughLine, rough_line
from console.timeline.series import Series

Int64s = npt.NDArray[np.int64]

# How much one pair says, beside a pair of two counters that are called differently.
KNOWN = 20  # a line of text, or what the user named
SAME_NAME = 3  # "poll" printed and "poll" in a message are likelier one counter
READINGS = 5  # three readings in a row hardly meet by chance
RIVAL_SHARE = 0.5  # another offset with this share of the best one's weight makes it ambiguous
AGREE_NS = 50_000_000  # two lines nearer than this, and their spreads, are one
COARSEST_NS = 1_000_000_000  # stamps to the second; none is coarser


@dataclass(frozen=True, slots=True, eq=False)
class SourceClock:
    """What is known of one source's clock before it is aligned."""

    source: str
    clock: str  # "capture", "firmware" or "host"
    rank: int  # causes go before effects: 0 wire, 1 print, 2 message
    native_ns: Int64s  # [n] every row in the source's order; of a capture, first and last time
    epoch: Int64s  # [n] counts the resets and settings it tells of itself
    is_wall: bool  # stamps by date and time of day (ns since 1970)
    quiet_ns: Int64s = field(default_factory=lambda: np.empty((0, 2), np.int64))  # [k, 2] of a
    # capture: begin and end of the spans in which its buses were unusually silent

    @property
    def epochs(self) -> range:
        """All its epochs; one when it has no rows."""
        return range(int(self.epoch.max()) + 1 if len(self.epoch) else 1)

    def resolution_ns(self) -> int:
        """The last digit of its stamps, at most a second: what all of them are multiples of."""
        some = self.native_ns[:: max(1, len(self.native_ns) // 10_000)]
        return int(min(np.gcd.reduce(some), COARSEST_NS)) if len(some) else 0


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """One way to pair one value of the source with one on the axis."""

    other: str  # the other source
    pairs: Pairs
    line: RoughLine
    worth: int  # of one pair
    side: int  # +1: the source's event follows the other, as far as its kind tells
    side_is_sure: bool
    slack_ns: Int64s  # band of the other event of each pair

    @property
    def weight(self) -> float:
        """What all pairs of its crowd say together; pairs outside it speak against it."""
        kept = int(self.line.kept.sum())
        return self.worth * kept * kept / len(self.pairs)


@dataclass(frozen=True, slots=True, eq=False)
class Tie:
    """What ties one epoch of a source: the ways that agree, and how well others do."""

    ways: list[Way]
    weight: float
    rivals_ns: tuple[int, ...]


def ties_of(
    clock: SourceClock,
    maps: Mapping[str, ClockMap],
    clocks: Sequence[SourceClock],
    series: Sequence[Series],
) -> dict[int, Tie]:
    """The best tie of each of the source's epochs to what is already on the axis."""
    ranks = {c.source: c.rank for c in clocks}
    mine = [s for s in series if s.source == clock.source]
    on_axis = [s for s in series if s.source in maps and maps[s.source].is_aligned]
    others = [
        (s, runs_of(s, maps[s.source].common_ns(s.native_ns, s.row)), maps[s.source])
        for s in on_axis
    ]
    ties = {}
    for epoch in clock.epochs:
        ways: list[Way] = []
        for own in mine:
            inside = clock.epoch[own.row] == epoch
            for seen in runs_of(own, own.native_ns, inside):
                for other, runs, other_map in others:
                    if own.kind == other.kind:
                        side = _usual_side(clock, own, ranks[other.source])
                        slack = (other_map.band_ns or 0) + clock.resolution_ns()
                        ways += _ways(own, seen, other, runs, slack, side)
        if ways:
            ties[epoch] = _best(ways)
    return ties


def _usual_side(clock: SourceClock, own: Series, other_rank: int) -> int:
    """+1 when the source's event follows the other's, -1 when it goes before, 0 when they are one.

    Causes go from wire to print to message; but a line is stamped by the board before it is sent.
    """
    if own.kind == "mark":
        return 0
    if own.kind == "line":
        return -1 if clock.clock == "firmware" else 1
    return 1 if clock.rank >= other_rank else -1


def _ways(
    own: Series,
    seen: Seen,
    other: Series,
    runs: Sequence[Seen],
    slack_ns: int,
    side: int,
) -> Iterator[Way]:
    """Every way to pair a run with the runs of another source's value."""
    worth = {"counter": 1, "readings": READINGS}.get(own.kind, KNOWN)
    if own.kind == "counter" and own.name == other.name:
        worth = SAME_NAME
    # Bytes without a name are read after what they say was done, as far as anybody can tell.
    sure = own.kind in ("line", "mark") or "" in (own.name, other.name)
    for run in runs:
        for pairs in pairs_of(seen, run):
            line = rough_line(pairs)
            if line is not None:
                slack = np.full(len(pairs), slack_ns, np.int64)
                yield Way(other.source, pairs, line, worth, side, sure, slack)


def _best(ways: Sequence[Way]) -> Tie:
    """The offset that most pairs agree on, counting every way that lies on it."""
    agree = [[_agree(one, other) for one in ways] for other in ways]
    weights = [sum(w.weight for w, a in zip(ways, row, strict=True) if a) for row in agree]
    ranked = [
        (w, 2 * int(k.line.kept.sum()) - len(k.pairs)) for w, k in zip(weights, ways, strict=True)
    ]
    best = ranked.index(max(ranked))
    rivals = {
        ways[k].line.base_ns - _base_of(ways[best], ways[k].line.origin_ns)
        for k, weight in enumerate(weights)
        if not agree[best][k] and not agree[k][best] and weight >= RIVAL_SHARE * weights[best]
    }
    chosen = [ways[best], *(w for k, w in enumerate(ways) if k != best and agree[best][k])]
    return Tie(chosen, weights[best], tuple(sorted(rivals)))


def _base_of(way: Way, at_ns: int) -> int:
    """A way's gap between the clocks at a native time."""
    return way.line.base_ns + round(way.line.drift * (at_ns - way.line.origin_ns))


def _agree(one: Way, other: Way) -> bool:
    """Whether most of one's crowd lies along the other's line."""
    kept = one.line.kept
    off = np.abs(other.line.off_ns(one.pairs.own_ns[kept], one.pairs.other_ns[kept]))
    return bool(np.median(off) <= one.line.spread_ns + other.line.spread_ns + AGREE_NS)
