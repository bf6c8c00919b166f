"""Alignment: every source onto one axis, by what it shares with the others.

Sources that carry equal values (a counter on the wire, in a print and in a message) are tied
together, best tied first, until no more can be. The ways to pair two sources are told by
`pairing.py`, sorted from chance by `rough.py`; pairs that agree are anchors, which `fitting.py`
makes into pieces with a band. Two counters of equal pace fit at any offset, and a value that comes
again every few seconds fits at many: when another offset has nearly as much for it as the best, the
piece says `ambiguous` and names it. What cannot be tied says `none`: its times mean nothing here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from console.timeline.anchors import Anchors, Fit
from console.timeline.clocks import ClockMap, ClockPiece, mapped_ns
from console.timeline.fitting import fit, pieces
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
UNSEEN_NS = 1_000_000  # between a bus and the print about it, or a print and its message
WALL_BAND_NS = 1_000_000_000  # two stamps of date and time: clocks set by hand or NTP


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


def aligned(
    clocks: Sequence[SourceClock],
    series: Sequence[Series],
    declared: Mapping[str, tuple[int, float]],
    axis: str | None = None,
) -> dict[str, ClockMap]:
    """A clock map for every source.

    Args:
        clocks: the sources' clocks; their order settles ties.
        series: the recurring values found in them.
        declared: source -> offset (ns) and drift (ppm) that the user stated.
        axis: the source whose clock is the common axis; else the lowest rank's first.
    """
    maps = {
        clock.source: _whole(clock, "declared", *declared[clock.source])
        for clock in clocks
        if clock.source in declared
    }
    first = min(clocks, key=lambda c: (c.source != axis, c.rank), default=None)
    if first is not None and first.source not in maps:
        maps[first.source] = _axis(first)  # what offsets of others are declared against
    left = [clock for clock in clocks if clock.source not in maps]
    while left:
        ties = {c.source: _ties(c, maps, clocks, series) for c in left}
        best = max(left, key=lambda c: sum(t.weight for t in ties[c.source].values()))
        maps[best.source] = _tied(best, ties[best.source], maps, clocks)
        left.remove(best)
    return maps


# --- pieces that are not fitted ---


def _piece(
    clock: SourceClock, inside: npt.NDArray[np.bool_], method: str, offset_ns: int, ppm: float = 0.0
) -> ClockPiece:
    """A piece whose offset is known or means nothing."""
    band = {"none": None, "wall-clock": WALL_BAND_NS}.get(method, 0)
    bare = ClockPiece(
        source=clock.source,
        clock=clock.clock,
        from_ns=0,
        until_ns=0,
        offset_ns=offset_ns,
        drift_ppm=ppm,
        band_ns=band,
        anchors=0,
        rejected=0,
        method=method,
        ambiguous=False,
        least_band_ns=band or 0,
    )
    return _spanned(bare, clock.native_ns[inside])


def _spanned(piece: ClockPiece, native_ns: Int64s) -> ClockPiece:
    """The piece with the span on the axis of the rows that belong to it."""
    if not len(native_ns):
        return piece
    ends = mapped_ns(np.array([native_ns.min(), native_ns.max()]), piece)
    return replace(piece, from_ns=int(ends[0]), until_ns=int(ends[1]))


def _whole(clock: SourceClock, method: str, offset_ns: int, ppm: float = 0.0) -> ClockMap:
    """Every row of a source by one offset."""
    every = np.ones(len(clock.native_ns), np.bool_)
    return ClockMap((_piece(clock, every, method, offset_ns, ppm),))


def _axis(clock: SourceClock) -> ClockMap:
    """The axis itself: its longest epoch is the axis, what lies in other epochs is not on it."""
    inside = [clock.epoch == k for k in clock.epochs]
    lengths = [np.ptp(clock.native_ns[rows]) if rows.any() else 0 for rows in inside]
    longest = int(np.argmax(lengths))
    found = [
        _piece(clock, rows, "axis" if k == longest else "none", 0) for k, rows in enumerate(inside)
    ]
    return ClockMap(tuple(found), clock.epoch)


# --- pieces that are fitted ---


@dataclass(frozen=True, slots=True, eq=False)
class _Way:
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
class _Tie:
    """What ties one epoch of a source: the ways that agree, and how well others do."""

    ways: list[_Way]
    weight: float
    rivals_ns: tuple[int, ...]


def _ties(
    clock: SourceClock,
    maps: Mapping[str, ClockMap],
    clocks: Sequence[SourceClock],
    series: Sequence[Series],
) -> dict[int, _Tie]:
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
        ways: list[_Way] = []
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
) -> Iterator[_Way]:
    """Every way to pair a run with the runs of another source's value."""
    worth = {"counter": 1, "readings": READINGS}.get(own.kind, KNOWN)
    if own.kind == "counter" and own.name == other.name:
        worth = SAME_NAME
    sure = own.kind in ("line", "mark")
    for run in runs:
        for pairs in pairs_of(seen, run):
            line = rough_line(pairs)
            if line is not None:
                slack = np.full(len(pairs), slack_ns, np.int64)
                yield _Way(other.source, pairs, line, worth, side, sure, slack)


def _best(ways: Sequence[_Way]) -> _Tie:
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
    return _Tie(chosen, weights[best], tuple(sorted(rivals)))


def _base_of(way: _Way, at_ns: int) -> int:
    """A way's gap between the clocks at a native time."""
    return way.line.base_ns + round(way.line.drift * (at_ns - way.line.origin_ns))


def _agree(one: _Way, other: _Way) -> bool:
    """Whether most of one's crowd lies along the other's line."""
    kept = one.line.kept
    off = np.abs(other.line.off_ns(one.pairs.own_ns[kept], one.pairs.other_ns[kept]))
    return bool(np.median(off) <= one.line.spread_ns + other.line.spread_ns + AGREE_NS)


def _tied(
    clock: SourceClock,
    ties: Mapping[int, _Tie],
    maps: Mapping[str, ClockMap],
    clocks: Sequence[SourceClock],
) -> ClockMap:
    """The clock map of a source from the ties of its epochs."""
    wall = _wall_offset_ns(clock, clocks, maps)
    quiet = np.concatenate(
        [np.empty((0, 2), np.int64)]
        + [maps[c.source].common_ns(c.quiet_ns.ravel()).reshape(-1, 2) for c in clocks
           if c.source in maps and maps[c.source].is_aligned and len(c.quiet_ns)]
    )  # fmt: skip
    found: list[ClockPiece] = []
    piece_of = np.zeros(len(clock.native_ns), np.int64)
    for epoch in clock.epochs:
        rows = np.flatnonzero(clock.epoch == epoch)
        fitted = _fitted(clock, rows, ties[epoch]) if epoch in ties else []
        for inside, piece in fitted:
            piece_of[inside] = len(found)
            found.append(piece)
        if not fitted:
            piece_of[rows] = len(found)
            method = "none" if wall is None else "wall-clock"
            bare = _piece(clock, clock.epoch == epoch, method, wall or 0)
            before = found[-1] if found else None
            found.append(_after_silence(bare, clock.native_ns[rows], before, quiet) or bare)
    return ClockMap(tuple(found), piece_of)


def _after_silence(
    bare: ClockPiece, native_ns: Int64s, before: ClockPiece | None, quiet: Int64s
) -> ClockPiece | None:
    """A piece that nothing ties begins in a silence of the bus: a board that starts anew is silent.

    Args:
        bare: the piece, not aligned.
        native_ns: its stamps.
        before: the piece before it, whose end it follows.
        quiet: int64[k, 2] silences on the axis.

    Returns:
        The piece, known within half the silence; with several silences to choose from, the first
        and `ambiguous`. None where there is none, or a clock that tells the date anyway.
    """
    if before is None or not before.is_aligned or bare.is_aligned or not len(native_ns):
        return None
    fits = quiet[quiet[:, 1] > before.until_ns]
    if not len(fits):
        return None
    begins = np.maximum(fits[:, 0], before.until_ns)
    offsets = (begins + fits[:, 1]) // 2 - native_ns[0]
    band = int(fits[0, 1] - begins[0]) // 2 + (before.band_ns or 0)
    found = replace(
        bare,
        offset_ns=int(offsets[0]),
        band_ns=band,
        least_band_ns=band,
        anchors=1,
        method="reset-silence",
        ambiguous=len(fits) > 1,
        rivals_ns=tuple(int(offset) for offset in offsets[1:4]),
    )
    return _spanned(found, native_ns)


def _wall_offset_ns(
    clock: SourceClock, clocks: Sequence[SourceClock], maps: Mapping[str, ClockMap]
) -> int | None:
    """Offset of an aligned source that stamps by date and time, as this one does."""
    if not clock.is_wall:
        return None
    return next(
        (
            maps[c.source].pieces[0].offset_ns
            for c in clocks
            if c.is_wall and c.source in maps and maps[c.source].is_aligned
        ),
        None,
    )


def _fitted(clock: SourceClock, rows: Int64s, tie: _Tie) -> list[tuple[Int64s, ClockPiece]]:
    """The pieces of one epoch, each with its rows."""
    anchors, row = _anchors(tie)
    found = _stretches(anchors)
    if not found:
        return []
    kept = [row[at[fit.kept]] for at, fit in found]
    borders = [
        _border(clock, rows, int(before.max()), int(after.min()))
        for before, after in pairwise(kept)
    ]
    parts = np.split(rows, np.searchsorted(rows, borders))
    return [
        (inside, _fitted_piece(clock, inside, fit, tie, _unseen_delay_ns(anchors.taken(at), fit)))
        for inside, (at, fit) in zip(parts, found, strict=True)
    ]


def _stretches(anchors: Anchors) -> list[tuple[Int64s, Fit]]:
    """Places and fit of the anchors of each undisturbed stretch.

    Where the clock was stepped is told by the larger side alone, since two sides differ by their
    delays; the anchors of the other side go with their neighbours in time.
    """
    sides, counts = np.unique(anchors.side, return_counts=True)
    large = anchors.side == sides[np.argmax(counts)]
    at = np.flatnonzero(large)
    found = [(at[part], fitted) for part, fitted in pieces(anchors.taken(at))]
    if large.all() or not found:
        return found
    ends = [int(anchors.common_ns[part[fitted.kept]].max()) for part, fitted in found[:-1]]
    which = np.searchsorted(ends, anchors.common_ns)
    both = []
    for k, (part, fitted) in enumerate(found):
        joined = np.union1d(part, np.flatnonzero(~large & (which == k)))
        again = fit(anchors.taken(joined))
        both.append((part, fitted) if again is None else (joined, again))
    return both


def _anchors(tie: _Tie) -> tuple[Anchors, Int64s]:
    """One pair for each event and side from the ways that agree, by row; and those rows."""
    sided = list(zip(tie.ways, _sides(tie.ways), strict=True))
    row = np.concatenate([way.pairs.own_row for way, _ in sided])
    own = np.concatenate([way.pairs.own_ns for way, _ in sided])
    other = np.concatenate([way.pairs.other_ns for way, _ in sided])
    slack = np.concatenate([way.slack_ns for way, _ in sided])
    side = np.concatenate([np.full(len(way.pairs), side, np.int8) for way, side in sided])
    stray = ~np.concatenate([way.line.kept for way, _ in sided])
    # Several values of one event have one delay between them, and count once: the nearest pair.
    order = np.lexsort((-side * other, stray, side, row))
    first = np.ones(len(order), np.bool_)
    first[1:] = (np.diff(row[order]) != 0) | (np.diff(side[order]) != 0)
    at = order[first]
    return Anchors(own[at], other[at], side[at], slack[at]), row[at]


def _sides(ways: Sequence[_Way]) -> list[int]:
    """+1 for each way whose events follow the other source's, -1 where they go before.

    Causes go from wire to print to message, but a command goes the other way round. With one other
    source, the ways of either direction lie on two levels that do not overlap, as delays have one
    sign: then those on the far level are the commands.
    """
    sides = [way.side for way in ways]
    for other in {way.other for way in ways if not way.side_is_sure}:
        own = [k for k, w in enumerate(ways) if w.other == other and not w.side_is_sure]
        ends = [np.quantile(_level(ways[k], ways[0]), (0.02, 0.98)) for k in own]
        order = sorted(range(len(own)), key=lambda i: float(ends[i].sum()))
        gaps = [
            min(ends[i][0] for i in order[n:]) - max(ends[i][1] for i in order[:n])
            for n in range(1, len(order))
        ]
        if gaps and max(gaps) > 0:
            for i in order[gaps.index(max(gaps)) + 1 :]:
                sides[own[i]] = -ways[own[i]].side
    return sides


def _level(way: _Way, best: _Way) -> npt.NDArray[np.float64]:
    """How far a way's pairs lie towards a command, along the best way's line."""
    kept = way.line.kept
    return way.side * best.line.off_ns(way.pairs.own_ns[kept], way.pairs.other_ns[kept])


def _border(clock: SourceClock, rows: Int64s, low: int, high: int) -> int:
    """The first row of a new piece, after the last anchor of one and up to the first of the next.

    Where the clock fell it is sure; else it is where the clock jumped most.
    """
    between = rows[(rows > low) & (rows <= high)]
    if len(between) < 2:
        return high
    jumps = clock.native_ns[between] - clock.native_ns[between - 1]
    fell = np.flatnonzero(jumps < 0)
    return int(between[fell[0]] if len(fell) else between[int(np.argmax(jumps))])


def _unseen_delay_ns(anchors: Anchors, fit: Fit) -> int:
    """What a delay that every anchor has may add to the error, where all lie on one side.

    Such a delay moves the clock and cannot be seen. It is taken to be no longer than a millisecond,
    or than the middle of the delays that can be seen where that is longer.
    """
    side = anchors.side[fit.kept].astype(np.int64)
    if not len(side) or (side != side[0]).any() or side[0] == 0:
        return 0
    late = side * (fit.common_ns(anchors.native_ns) - anchors.common_ns)[fit.kept]
    return max(UNSEEN_NS, int(np.median(late)))


def _fitted_piece(
    clock: SourceClock, rows: Int64s, fit: Fit, tie: _Tie, unseen_ns: int
) -> ClockPiece:
    native = clock.native_ns[rows]
    ends = np.array([native.min(), native.max()]) if len(native) else np.zeros(1, np.int64)
    piece = ClockPiece(
        source=clock.source,
        clock=clock.clock,
        from_ns=0,
        until_ns=0,
        offset_ns=fit.offset_ns,
        drift_ppm=fit.drift * 1e6,
        band_ns=int(fit.band_at(ends).max()) + unseen_ns,
        anchors=int(fit.kept.sum()),
        rejected=int((~fit.kept).sum()),
        method="equal-values",
        ambiguous=bool(tie.rivals_ns),
        centre_ns=fit.centre_ns,
        least_band_ns=fit.band_ns + unseen_ns,
        band_ppm=fit.band_ppm,
        rivals_ns=tuple(fit.offset_ns + rival for rival in tie.rivals_ns),
    )
    return _spanned(piece, native)
