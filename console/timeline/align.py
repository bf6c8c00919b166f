"""First alignment: every source onto one axis, by declared offsets and by equal values.

Sources that carry equal numbers (a counter on the wire, in a print and in a message) are tied
together pair by pair, best tied first, until no more can be. A number that counts in both sources
fits at one offset only, but two different counters of equal pace fit as well as the right ones;
when the second best offset has nearly as many values on it as the best, the piece says
`ambiguous`. What cannot be tied says `none`: its times mean nothing on the axis.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from console.timeline.clocks import ClockMap, ClockPiece, mapped_ns
from console.timeline.envelope import Line, fitted_line
from console.timeline.series import Series

Int64s = npt.NDArray[np.int64]

SAME_NAME_WEIGHT = 3  # "poll" printed and "poll" in a message are likelier one counter
RIVAL_SHARE = 0.5  # a second offset with this share of the best one's weight makes it ambiguous
WALL_BAND_NS = 1_000_000_000  # two stamps of date and time: clocks set by hand or NTP


@dataclass(frozen=True, slots=True)
class SourceClock:
    """What is known of one source's clock before it is aligned."""

    source: str
    clock: str  # "capture", "firmware" or "host"
    rank: int  # causes go before effects: 0 wire, 1 print, 2 message
    spans: tuple[tuple[int, int], ...]  # native first and last time of each epoch, ns
    is_wall: bool  # stamps by date and time of day (ns since 1970)


@dataclass(frozen=True, slots=True, eq=False)
class _Tie:
    """A line that ties one epoch of a source to sources already on the axis."""

    line: Line
    weight: float
    rejected: int
    ambiguous: bool
    base_band_ns: int


def aligned(
    clocks: Sequence[SourceClock],
    series: Sequence[Series],
    declared_ns: Mapping[str, int],
    axis: str | None = None,
) -> dict[str, ClockMap]:
    """A clock map for every source.

    Args:
        clocks: the sources' clocks; their order settles ties.
        series: the numbers found in them.
        declared_ns: source -> offset the user stated, in ns.
        axis: the source whose clock is the common axis; else the lowest rank's first.
    """
    maps: dict[str, ClockMap] = {}
    for clock in clocks:
        if clock.source in declared_ns:
            pieces = [
                _piece(clock, k, declared_ns[clock.source], "declared") for k in _epochs(clock)
            ]
            maps[clock.source] = ClockMap(tuple(pieces))
    first = min(clocks, key=lambda c: (c.source != axis, c.rank), default=None)
    if first is not None and first.source not in maps:
        maps[first.source] = _axis_map(first)  # what offsets of others are declared against
    left = [clock for clock in clocks if clock.source not in maps]
    while left:
        ties = {c.source: _ties(c, maps, clocks, series) for c in left}
        best = max(left, key=lambda c: sum(t.weight for t in ties[c.source].values()))
        maps[best.source] = _tied(best, ties[best.source], maps, clocks)
        left.remove(best)
    return maps


def _epochs(clock: SourceClock) -> range:
    return range(max(len(clock.spans), 1))


def _piece(clock: SourceClock, epoch: int, offset_ns: int, method: str) -> ClockPiece:
    first, last = clock.spans[epoch] if clock.spans else (0, 0)
    band = {"none": None, "wall-clock": WALL_BAND_NS}.get(method, 0)
    return ClockPiece(
        source=clock.source,
        clock=clock.clock,
        epoch=epoch,
        from_ns=first + offset_ns,
        until_ns=last + offset_ns,
        offset_ns=offset_ns,
        drift_ppm=0.0,
        band_ns=band,
        anchors=0,
        rejected=0,
        method=method,
        ambiguous=False,
    )


def _axis_map(clock: SourceClock) -> ClockMap:
    """The axis itself: its longest epoch is the axis, what lies in other epochs is not on it."""
    lengths = [last - first for first, last in clock.spans] or [0]
    longest = int(np.argmax(lengths))
    return ClockMap(
        tuple(_piece(clock, k, 0, "axis" if k == longest else "none") for k in _epochs(clock))
    )


def _tied(
    clock: SourceClock,
    ties: Mapping[int, _Tie],
    maps: Mapping[str, ClockMap],
    clocks: Sequence[SourceClock],
) -> ClockMap:
    shares_wall = clock.is_wall and any(
        c.is_wall and c.source in maps and maps[c.source].is_aligned for c in clocks
    )
    pieces = []
    for k in _epochs(clock):
        if k not in ties:
            offset = _wall_offset_ns(clocks, maps) if shares_wall else 0
            pieces.append(_piece(clock, k, offset, "wall-clock" if shares_wall else "none"))
            continue
        pieces.append(_tied_piece(clock, k, ties[k]))
    return ClockMap(tuple(pieces))


def _wall_offset_ns(clocks: Sequence[SourceClock], maps: Mapping[str, ClockMap]) -> int:
    """Offset of an aligned source that stamps by date and time."""
    return next(
        maps[c.source].pieces[0].offset_ns for c in clocks if c.is_wall and c.source in maps
    )


def _tied_piece(clock: SourceClock, epoch: int, tie: _Tie) -> ClockPiece:
    piece = ClockPiece(
        source=clock.source,
        clock=clock.clock,
        epoch=epoch,
        from_ns=0,
        until_ns=0,
        offset_ns=tie.line.offset_ns,
        drift_ppm=tie.line.drift * 1e6,
        band_ns=tie.line.band_ns + tie.base_band_ns,
        anchors=tie.line.anchors,
        rejected=tie.rejected,
        method="equal-values",
        ambiguous=tie.ambiguous,
    )
    first, last = (int(t) for t in mapped_ns(np.array(clock.spans[epoch], np.int64), piece))
    return replace(piece, from_ns=first, until_ns=last)


def _ties(
    clock: SourceClock,
    maps: Mapping[str, ClockMap],
    clocks: Iterable[SourceClock],
    series: Sequence[Series],
) -> dict[int, _Tie]:
    """The best tie of each of the source's epochs to what is already on the axis."""
    ranks = {c.source: c.rank for c in clocks}
    mine = [s for s in series if s.source == clock.source]
    on_axis = [s for s in series if s.source in maps and maps[s.source].is_aligned]
    theirs = [_seen_once(s, maps[s.source]) for s in on_axis]
    ties = {}
    for epoch in _epochs(clock):
        candidates = []
        for own in mine:
            ours = _seen_once(own, None, epoch)
            for other, seen in zip(on_axis, theirs, strict=True):
                pairs = _pairs(ours, seen)
                line = fitted_line(*pairs, comes_second=clock.rank >= ranks[other.source])
                if line is not None:
                    band = maps[other.source].band_ns or 0
                    candidates.append(_Candidate(line, *pairs, own.name == other.name, band))
        if candidates:
            ties[epoch] = _best_tie(candidates)
    return ties


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    """The line that one number of the source and one number on the axis give together."""

    line: Line
    native_ns: Int64s
    common_ns: Int64s
    same_name: bool
    base_band_ns: int

    @property
    def weight(self) -> float:
        return self.line.anchors * (SAME_NAME_WEIGHT if self.same_name else 1)


def _best_tie(candidates: Sequence[_Candidate]) -> _Tie:
    """The line on which most values agree, counting every series that lies on it.

    Of lines that agree with one another, the one that throws out the fewest of its own pairs.
    """
    weights = [sum(c.weight for c in candidates if _agree(c, other)) for other in candidates]
    ranked = [
        (w, 2 * c.line.anchors - len(c.native_ns)) for w, c in zip(weights, candidates, strict=True)
    ]
    best = ranked.index(max(ranked))
    rivals = [
        weight
        for weight, other in zip(weights, candidates, strict=True)
        if not _agree(other, candidates[best])
    ]
    winner = candidates[best]
    return _Tie(
        line=winner.line,
        weight=weights[best],
        rejected=len(winner.native_ns) - winner.line.anchors,
        ambiguous=bool(rivals) and max(rivals) >= RIVAL_SHARE * weights[best],
        base_band_ns=winner.base_band_ns,
    )


def _agree(one: _Candidate, other: _Candidate) -> bool:
    """Whether most of one's anchors lie on the other's line, within both their bands."""
    off = np.abs(other.line.residual_ns(one.native_ns[one.line.kept], one.common_ns[one.line.kept]))
    return bool(np.median(off) <= one.line.band_ns + other.line.band_ns + 5_000_000)


_Seen = tuple[npt.NDArray[np.float64], Int64s]


def _seen_once(series: Series, clock: ClockMap | None, epoch: int | None = None) -> _Seen:
    """The values that occur exactly once, sorted, and when: common time with a clock, else native.

    A value seen twice could be paired two ways; not-a-number is no value.
    """
    inside = np.flatnonzero(series.epoch == epoch) if epoch is not None else slice(None)
    distinct, at, counts = np.unique(series.values[inside], return_index=True, return_counts=True)
    alone = (counts == 1) & ~np.isnan(distinct)
    t_ns, epochs = series.native_ns[inside][at[alone]], series.epoch[inside][at[alone]]
    return distinct[alone], t_ns if clock is None else clock.common_ns(t_ns, epochs)


def _pairs(ours: _Seen, theirs: _Seen) -> tuple[Int64s, Int64s]:
    """Times (own native, common) of the values both series have."""
    _, a, b = np.intersect1d(ours[0], theirs[0], assume_unique=True, return_indices=True)
    return ours[1][a], theirs[1][b]
