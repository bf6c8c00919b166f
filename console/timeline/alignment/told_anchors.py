"""From ties and the clock they gave to the anchors as they are told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchors import NO_ROW, Anchors, Reason, Shared
from console.timeline.alignment.fitted_pieces import FittedTie
from console.timeline.alignment.pairing import Pairs
from console.timeline.alignment.ties import SourceClock, Tie
from console.timeline.alignment.ways import Aside
from console.timeline.clocks import ClockMap

Int64s = npt.NDArray[np.int64]
Codes = Mapping[Shared, int]


def told_anchors(
    clock: SourceClock, its: ClockMap, ties: Sequence[tuple[Tie, FittedTie | None]]
) -> Anchors:
    """The anchors of one source.

    Args:
        clock: the source.
        its: the clock that was made of its ties.
        ties: of each epoch that has one, and what was fitted to it; None where nothing ties it and
            yet something was decided by hand.
    """
    values = [way.shared for tie, _ in ties for way in tie.ways]
    values += [aside.shared for tie, _ in ties for aside in tie.aside]
    codes = {shared: k for k, shared in enumerate(dict.fromkeys(values))}
    parts = []
    for tie, fitted in ties:
        main = [] if fitted is None else [_of_ways(clock, its, tie, fitted, codes)]
        told = tie.aside if fitted is None else [*tie.aside, *fitted.pairs.surplus]
        aside = [_of_aside(clock, its, tie, each, codes) for each in told]
        if aside:
            main.append(_once(Anchors.joined(clock.source, aside), main))
        parts += main
    found = Anchors.joined(clock.source, parts)
    if len(parts) > len([fitted for _, fitted in ties if fitted is not None]):
        event = found.own_row if clock.has_rows else found.native_ns
        return found.taken(np.argsort(event, kind="stable"))
    return found


def _of_ways(
    clock: SourceClock, its: ClockMap, tie: Tie, fitted: FittedTie, codes: Codes
) -> Anchors:
    """What was to be fitted."""
    pairs, anchors = fitted.pairs, fitted.pairs.anchors
    found = Pairs(anchors.native_ns, anchors.common_ns, pairs.row, pairs.other_row)
    code = np.array([codes[way.shared] for way in tie.ways], np.int32)
    return _anchors(
        clock, its, tie, found, tuple(codes), code[pairs.way], anchors.side, fitted.reason
    )


def _of_aside(clock: SourceClock, its: ClockMap, tie: Tie, aside: Aside, codes: Codes) -> Anchors:
    """What ties nothing: decided by hand, or a value that met another by chance."""
    n = len(aside.pairs)
    return _anchors(
        clock,
        its,
        tie,
        aside.pairs,
        tuple(codes),
        np.full(n, codes[aside.shared], np.int32),
        np.full(n, aside.side, np.int8),
        np.full(n, aside.reason, np.uint8),
    )


def _anchors(
    clock: SourceClock,
    its: ClockMap,
    tie: Tie,
    pairs: Pairs,
    shared: tuple[Shared, ...],
    value: npt.NDArray[np.int32],
    side: npt.NDArray[np.int8],
    reason: npt.NDArray[np.uint8],
) -> Anchors:
    """Pairs with their place on the source's clock."""
    row = pairs.own_row if clock.has_rows else np.full(len(pairs), NO_ROW)
    piece = np.zeros(len(pairs), np.int32)
    if its.piece_of is not None and clock.has_rows:
        piece = its.piece_of[row].astype(np.int32)
    residual = pairs.other_ns - its.common_ns(pairs.own_ns, row)
    loose = ~np.array([one.is_aligned for one in its.pieces])[piece]
    if loose.any():
        residual[loose] = _rough_ns(tie, pairs)[loose]
    return Anchors(
        source=clock.source,
        shared=shared,
        value=value,
        own_row=row,
        other_row=pairs.other_row,
        native_ns=pairs.own_ns,
        common_ns=pairs.other_ns,
        residual_ns=residual,
        side=side,
        reason=reason,
        piece=piece,
    )


def _rough_ns(tie: Tie, pairs: Pairs) -> Int64s:
    """How far pairs are off the line that most of them lie along, or off their own middle."""
    if tie.ways:
        off = tie.ways[0].line.off_ns(pairs.own_ns, pairs.other_ns)
    else:
        gap = pairs.other_ns - pairs.own_ns
        off = (gap - gap[len(gap) // 2]).astype(np.float64)
        off -= np.median(off)
    rough: Int64s = np.rint(off).astype(np.int64)
    return rough


def _once(aside: Anchors, main: Sequence[Anchors]) -> Anchors:
    """Each identity once, in the pair nearest to the clock, and none that is an anchor anyway.

    An event that may be paired in several ways was decided about in all of them.
    """
    keys = {(value.name, value.other): k for k, value in enumerate(aside.shared)}
    same = np.array([keys[value.name, value.other] for value in aside.shared])
    key = same[aside.value]
    order = np.lexsort((np.abs(aside.residual_ns), aside.native_ns, key))
    first = np.ones(len(order), np.bool_)
    first[1:] = (np.diff(key[order]) != 0) | (np.diff(aside.native_ns[order]) != 0)
    there = np.zeros(len(aside), np.bool_)
    for anchors in main:
        for k in np.unique(key):
            mine = anchors.native_ns[same[anchors.value] == k]
            there |= (key == k) & np.isin(aside.native_ns, mine)
    there &= aside.reason != Reason.REJECTED
    return aside.taken(order[first & ~there[order]])
