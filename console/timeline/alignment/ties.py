"""What ties a source to those on the axis: every way to pair their values, and which agree.

Two counters of equal pace fit at any offset, and a value that comes again every few seconds fits at
many: when another offset has nearly as much for it as the best, it is a rival, and told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchors import NO_ROW
from console.timeline.alignment.decisions import UNDECIDED, Named, Placed, SourceDecisions
from console.timeline.alignment.epoch_order import EpochOrder
from console.timeline.alignment.pairing import Seen, runs_of
from console.timeline.alignment.series import Series
from console.timeline.alignment.ways import Aside, Decided, Way, ways_of
from console.timeline.clocks import ClockMap

Int64s = npt.NDArray[np.int64]

RIVAL_SHARE = 0.5  # another offset with this share of the best one's weight makes it ambiguous
COARSEST_NS = 1_000_000_000  # stamps to the second; none is coarser
PLACED_NS = 500_000_000  # pairs farther from where the user placed a clock are another offset's


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
    late_ns: int = 0  # of a declared clock: how much later than its events its stamps may be

    @property
    def has_rows(self) -> bool:
        """Whether its events are its rows; those of a capture are rows of several tables."""
        return self.clock != "capture"

    @property
    def epochs(self) -> range:
        """All its epochs; one when it has no rows."""
        return range(int(self.epoch.max()) + 1 if len(self.epoch) else 1)

    def resolution_ns(self) -> int:
        """The last digit of its stamps, at most a second: what all of them are multiples of.

        Of a capture 0: its samples are finer than any delay, and its ends are too few to tell.
        """
        if not self.has_rows:
            return 0
        some = self.native_ns[:: max(1, len(self.native_ns) // 10_000)]
        return int(min(np.gcd.reduce(some), COARSEST_NS)) if len(some) else 0


@dataclass(frozen=True, slots=True, eq=False)
class Tie:
    """What ties one epoch of a source: the ways that agree, and how well others do."""

    ways: list[Way]  # none where nothing ties it
    weight: float
    rivals_ns: tuple[int, ...]  # other offsets less this one
    is_chosen: bool  # by hand, among several
    accepted: Named  # anchors
    aside: list[Aside]  # what was decided by hand and is not among the ways


def ties_of(
    clock: SourceClock,
    maps: Mapping[str, ClockMap],
    clocks: Sequence[SourceClock],
    series: Sequence[Series],
    decisions: SourceDecisions = UNDECIDED,
) -> dict[int, Tie]:
    """The best tie of each of the source's epochs to what is already on the axis.

    Args:
        clock: the source.
        maps: the clocks on the axis.
        clocks: all clocks.
        series: the recurring values of all sources.
        decisions: what the user decided about the source.
    """
    mine = [s for s in series if s.source == clock.source]
    others = _on_axis(maps, {c.source: c for c in clocks}, series)
    found: dict[int, tuple[list[Way], Decided]] = {}
    for epoch in clock.epochs:
        ways: list[Way] = []
        decided = Decided.of(decisions)
        for own in mine:
            inside = clock.epoch[own.row] == epoch if clock.has_rows else None
            for seen in runs_of(own, own.native_ns, inside):
                for other in others:
                    if own.kind == other.series.kind:
                        side = _usual_side(clock, own, other.rank)
                        slack = other.band_ns + clock.resolution_ns()
                        ways += ways_of(own, seen, other.series, other.runs, slack, side, decided)
        found[epoch] = ways, decided
    return _in_order(found, decisions.placed)


def _in_order(
    found: Mapping[int, tuple[list[Way], Decided]], placed: Sequence[Placed]
) -> dict[int, Tie]:
    """The best tie of each epoch that leaves all in order; the best tied epochs choose first."""
    order, ties = EpochOrder(), {}
    weight = {k: max((way.weight for way in ways), default=0.0) for k, (ways, _) in found.items()}
    for epoch in sorted(found, key=lambda k: -weight[k]):
        ways, decided = found[epoch]
        fits = [w for w in ways if order.allows(epoch, w) or _chosen([w], placed) is not None]
        for way in ways:
            if way not in fits:
                decided.give_up(way.shared, way.pairs, way.side)
        if fits:
            ties[epoch] = _best(fits, placed, decided)
            order.put(epoch, ties[epoch].ways[0])
        elif decided.aside:
            ties[epoch] = Tie([], 0.0, (), False, decided.accepted, decided.aside)
    return dict(sorted(ties.items()))


@dataclass(frozen=True, slots=True, eq=False)
class _Other:
    """A value of a source on the axis."""

    series: Series
    runs: list[Seen]  # times on the axis
    band_ns: int
    rank: int


def _on_axis(
    maps: Mapping[str, ClockMap], clocks: Mapping[str, SourceClock], series: Sequence[Series]
) -> list[_Other]:
    """The values of the sources that are on the axis."""
    found = []
    for each in series:
        if each.source in maps and maps[each.source].is_aligned:
            its = maps[each.source]
            runs = runs_of(each, its.common_ns(each.native_ns, each.row))
            if not clocks[each.source].has_rows:
                runs = [replace(run, row=np.full_like(run.row, NO_ROW)) for run in runs]
            found.append(_Other(each, runs, its.band_ns or 0, clocks[each.source].rank))
    return found


def _usual_side(clock: SourceClock, own: Series, other_rank: int) -> int:
    """+1 when the source's event follows the other's, -1 when it goes before, 0 when they are one.

    Causes go from wire to print to message; but a line is stamped by the board before it is sent.
    """
    if own.kind == "mark":
        return 0
    if own.kind == "line":
        return -1 if clock.clock == "firmware" else 1
    return 1 if clock.rank >= other_rank else -1


def _best(ways: Sequence[Way], placed: Sequence[Placed], decided: Decided) -> Tie:
    """The offset that most pairs agree on, counting every way that lies on it; or the chosen one.

    Args:
        ways: at least one.
        placed: offsets the user chose, the last one first to be tried.
        decided: what the user decided about the anchors.
    """
    agree = [[one.agrees_with(other) for one in ways] for other in ways]
    weights = [sum(w.weight for w, a in zip(ways, row, strict=True) if a) for row in agree]
    ranked = [
        (w, 2 * int(k.line.kept.sum()) - len(k.pairs)) for w, k in zip(weights, ways, strict=True)
    ]
    chosen = _chosen(ways, placed)
    among = range(len(ways)) if chosen is None else [k for k, a in enumerate(agree[chosen]) if a]
    best = max(among, key=lambda k: ranked[k])
    rivals = {
        ways[k].line.base_ns - _base_of(ways[best], ways[k].line.origin_ns)
        for k, weight in enumerate(weights)
        if not agree[best][k] and not agree[k][best] and weight >= RIVAL_SHARE * weights[best]
    }
    for k, way in enumerate(ways):
        if k != best and not agree[best][k]:
            decided.give_up(way.shared, way.pairs, way.side)
    return Tie(
        ways=[ways[best], *(w for k, w in enumerate(ways) if k != best and agree[best][k])],
        weight=weights[best],
        rivals_ns=tuple(sorted(rivals)),
        is_chosen=chosen is not None,
        accepted=decided.accepted,
        aside=decided.aside,
    )


def _chosen(ways: Sequence[Way], placed: Sequence[Placed]) -> int | None:
    """Which way lies where the user placed the clock; None when none does."""
    for each in reversed(placed):
        off = [way.off_ns(each) for way in ways]
        if min(off) <= PLACED_NS:
            return off.index(min(off))
    return None


def _base_of(way: Way, at_ns: int) -> int:
    """A way's gap between the clocks at a native time."""
    return way.line.base_ns + round(way.line.drift * (at_ns - way.line.origin_ns))
