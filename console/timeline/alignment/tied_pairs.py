"""The pairs of a tie: one for each event and side, from all the ways that agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchor_pairs import AnchorPairs
from console.timeline.alignment.anchors import Reason
from console.timeline.alignment.ties import SourceClock, Tie
from console.timeline.alignment.ways import Aside, Way

Int64s = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class TiedPairs:
    """Pairs of events of which each is to be an anchor, n of them, by the source's events."""

    anchors: AnchorPairs
    row: Int64s  # [n] row of the source; of a capture, of the table its value stands in
    other_row: Int64s  # [n] row of the other source
    way: npt.NDArray[np.int32]  # [n] index into the ways of the tie
    stray: Mask  # [n] far from the line its way's pairs crowd along
    surplus: list[Aside]  # the other stray pairs: of events that have a better one


def tied_pairs(clock: SourceClock, tie: Tie) -> TiedPairs:
    """The pairs of the ways that agree (one at least).

    Several values of one event have one delay between them, and count once: the nearest pair. Those
    accepted by hand all count.
    """
    ways = tie.ways
    parts = [way.pairs for way in ways]
    counts = [len(pairs) for pairs in parts]
    row = np.concatenate([pairs.own_row for pairs in parts])
    own = np.concatenate([pairs.own_ns for pairs in parts])
    other = np.concatenate([pairs.other_ns for pairs in parts])
    sides = sides_of(ways)
    side = np.repeat(np.array(sides, np.int8), counts)
    stray = ~np.concatenate([way.line.kept for way in ways])
    accepted = _accepted(tie)
    event = row if clock.has_rows else own
    order = np.lexsort((-side * other, stray, side, event))
    if accepted is not None:
        order = np.lexsort((-side * other, stray, ~accepted, side, event))
    first = np.ones(len(order), np.bool_)
    first[1:] = (np.diff(event[order]) != 0) | (np.diff(side[order]) != 0)
    if accepted is not None:
        first |= accepted[order]
    at = order[first]
    way = np.repeat(np.arange(len(ways), dtype=np.int32), counts)[at]
    slack = np.array([each.slack_ns for each in ways], np.int64)[way]
    other_row = np.concatenate([pairs.other_row for pairs in parts])[at]
    chosen = None if accepted is None else accepted[at]
    anchors = AnchorPairs(own[at], other[at], side[at], slack, chosen)
    surplus = _surplus(ways, sides, stray, at)
    return TiedPairs(anchors, row[at], other_row, way, stray[at], surplus)


def _surplus(ways: Sequence[Way], sides: Sequence[int], stray: Mask, used: Int64s) -> list[Aside]:
    """The stray pairs of each way that are not used."""
    left = stray.copy()
    left[used] = False
    parts = np.split(left, np.cumsum([len(way.pairs) for way in ways])[:-1])
    return [
        Aside(way.shared, way.pairs.taken(part), side, Reason.ASTRAY)
        for way, side, part in zip(ways, sides, parts, strict=True)
        if part.any()
    ]


def _accepted(tie: Tie) -> Mask | None:
    """Which pairs of all ways were accepted by hand; None when none was."""
    if not len(tie.accepted):
        return None
    found = [
        tie.accepted.among(way.shared.name, way.shared.other, way.pairs.own_ns) for way in tie.ways
    ]
    none = (np.zeros(len(way.pairs), np.bool_) for way in tie.ways)
    return np.concatenate([n if hit is None else hit for hit, n in zip(found, none, strict=True)])


def sides_of(ways: Sequence[Way]) -> list[int]:
    """+1 for each way whose events follow the other source's, -1 where they go before.

    Causes go from wire to print to message, but a command goes the other way round. With one other
    source, the ways of either direction lie on two levels that do not overlap, as delays have one
    sign: then those on the far level are the commands.
    """
    sides = [way.side for way in ways]
    for other in {way.shared.other for way in ways if not way.side_is_sure}:
        own = [k for k, w in enumerate(ways) if w.shared.other == other and not w.side_is_sure]
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
