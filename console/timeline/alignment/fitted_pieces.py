"""From a tie to pieces of a clock: anchors, the stretches between steps, and their fits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchor_pairs import AFTER, BEFORE, SAME, AnchorPairs, Fit
from console.timeline.alignment.anchors import Reason
from console.timeline.alignment.fitting import fit, pieces
from console.timeline.alignment.tied_pairs import TiedPairs, tied_pairs
from console.timeline.alignment.ties import SourceClock, Tie
from console.timeline.clocks import ClockPiece, mapped_ns

Int64s = npt.NDArray[np.int64]

UNSEEN_NS = 1_000_000  # between a bus and the print about it, or a print and its message


def spanned(piece: ClockPiece, native_ns: Int64s) -> ClockPiece:
    """The piece with the span on the axis of the rows that belong to it."""
    if not len(native_ns):
        return piece
    ends = mapped_ns(np.array([native_ns.min(), native_ns.max()]), piece)
    return replace(piece, from_ns=int(ends[0]), until_ns=int(ends[1]))


@dataclass(frozen=True, slots=True, eq=False)
class FittedTie:
    """What one epoch's tie gave."""

    pieces: list[tuple[Int64s, ClockPiece]]  # each with its rows of the source
    pairs: TiedPairs
    reason: npt.NDArray[np.uint8]  # [n] a `Reason` for each pair


def fitted_tie(clock: SourceClock, rows: Int64s, tie: Tie) -> FittedTie:
    """The pieces of one epoch (none where nothing fits), and what became of its pairs."""
    pairs = tied_pairs(clock, tie)
    found = _stretches(pairs.anchors, may_step=clock.has_rows)
    kept = [pairs.row[at[fit.kept]] for at, fit in found]
    borders = [
        _border(clock, rows, int(before.max()), int(after.min()))
        for before, after in pairwise(kept)
    ]
    parts = np.split(rows, np.searchsorted(rows, borders)) if found else []
    pieces = [
        (
            inside,
            _fitted_piece(clock, inside, fit, tie, _unseen_delay_ns(pairs.anchors.taken(at), fit)),
        )
        for inside, (at, fit) in zip(parts, found, strict=True)
    ]
    return FittedTie(pieces, pairs, _reasons(pairs, found))


def _reasons(pairs: TiedPairs, found: Sequence[tuple[Int64s, Fit]]) -> npt.NDArray[np.uint8]:
    """What became of each pair."""
    reason = np.full(len(pairs.row), Reason.UNFITTED, np.uint8)
    for at, fitted in found:
        reason[at] = np.where(fitted.kept, Reason.KEPT, Reason.OUTLIER)
    lost = reason != Reason.KEPT
    reason[lost & pairs.stray] = Reason.ASTRAY
    if pairs.anchors.accepted is not None:
        reason[lost & pairs.anchors.accepted] = Reason.IMPOSSIBLE
        reason[~lost & pairs.anchors.accepted] = Reason.ACCEPTED
    return reason


def _stretches(anchors: AnchorPairs, *, may_step: bool) -> list[tuple[Int64s, Fit]]:
    """Places and fit of the anchors of each undisturbed stretch.

    A capture has one time base from begin to end, so it is one.

    Where the clock was stepped is told by the larger side alone, since two sides differ by their
    delays; the anchors of the other side go with their neighbours in time.
    """
    if not may_step:
        whole = fit(anchors)
        return [] if whole is None else [(np.arange(len(anchors)), whole)]
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
        method="chosen" if tie.is_chosen else "equal-values",
        ambiguous=bool(tie.rivals_ns) and not tie.is_chosen,
        centre_ns=fit.centre_ns,
        least_band_ns=fit.band_ns + unseen_ns,
        band_ppm=fit.band_ppm,
        rivals_ns=tuple(fit.offset_ns + rival for rival in tie.rivals_ns),
    )
    return spanned(piece, native)
