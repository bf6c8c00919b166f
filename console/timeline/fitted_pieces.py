"""From a tie to pieces of a clock: anchors, the stretches between steps, and their fits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from console.timeline.anchor_pairs import AFTER, BEFORE, SAME, AnchorPairs, Fit
from console.timeline.clocks import ClockPiece, mapped_ns
from console.timeline.fitting import fit, pieces
from console.timeline.ties import SourceClock, Tie, Way

Int64s = npt.NDArray[np.int64]

UNSEEN_NS = 1_000_000  # between a bus and the print about it, or a print and its message


def spanned(piece: ClockPiece, native_ns: Int64s) -> ClockPiece:
    """The piece with the span on the axis of the rows that belong to it."""
    if not len(native_ns):
        return piece
    ends = mapped_ns(np.array([native_ns.min(), native_ns.max()]), piece)
    return replace(piece, from_ns=int(ends[0]), until_ns=int(ends[1]))


def fitted_pieces(clock: SourceClock, rows: Int64s, tie: Tie) -> list[tuple[Int64s, ClockPiece]]:
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


def _stretches(anchors: AnchorPairs) -> list[tuple[Int64s, Fit]]:
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


def _anchors(tie: Tie) -> tuple[AnchorPairs, Int64s]:
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
    return AnchorPairs(own[at], other[at], side[at], slack[at]), row[at]


def _sides(ways: Sequence[Way]) -> list[int]:
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


def _level(way: Way, best: Way) -> npt.NDArray[np.float64]:
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


def _unseen_delay_ns(anchors: AnchorPairs, fit: Fit) -> int:
    """What a delay that every anchor of one side has may add to the error.

    Such a delay moves the clock and cannot be seen from that side. It is taken to be no longer than
    a millisecond, or than the middle of the delays that can be seen where that is longer; and no
    longer than the anchors of the other side leave room for.
    """
    side = anchors.side[fit.kept].astype(np.int64)
    if not len(side) or (side == SAME).any():
        return 0
    late = (side * (fit.common_ns(anchors.native_ns) - anchors.common_ns)[fit.kept]).astype(float)
    room = late + anchors.slack_ns[fit.kept]
    unseen = 0.0
    for own in {AFTER, BEFORE} & set(side.tolist()):
        most = max(float(UNSEEN_NS), float(np.median(late[side == own])))
        others = room[side != own]
        left = float(np.quantile(others, 0.01)) if len(others) else most
        unseen = max(unseen, min(most, left))
    return int(unseen)


def _fitted_piece(
    clock: SourceClock, rows: Int64s, fit: Fit, tie: Tie, unseen_ns: int
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
    return spanned(piece, native)
