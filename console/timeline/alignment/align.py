"""Alignment: every source onto one axis, by what it shares with the others.

Sources that carry equal values (a counter on the wire, in a print and in a message) are tied
together, best tied first, until no more can be. The ways to pair two sources are told by
`pairing.py`, sorted from chance by `rough.py`; pairs that agree are anchors, which `fitting.py`
makes into pieces with a band. Two counters of equal pace fit at any offset, and a value that comes
again every few seconds fits at many: when another offset has nearly as much for it as the best, the
piece says `ambiguous` and names it. What cannot be tied says `none`: its times mean nothing here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchors import Anchors
from console.timeline.alignment.decisions import NOTHING_DECIDED, Decisions, Placed
from console.timeline.alignment.fitted_pieces import FittedTie, fitted_tie, spanned
from console.timeline.alignment.series import Series
from console.timeline.alignment.ties import SourceClock, Tie, ties_of
from console.timeline.alignment.told_anchors import told_anchors
from console.timeline.clocks import ClockMap, ClockPiece

Int64s = npt.NDArray[np.int64]

WALL_BAND_NS = 1_000_000_000  # two stamps of date and time: clocks set by hand or NTP
MOST_SILENCES = 3  # silences told besides the one that a piece was put into


@dataclass(frozen=True, slots=True)
class Alignment:
    """Every source's clock, and the anchors it rests on."""

    maps: dict[str, ClockMap]
    anchors: dict[str, Anchors]  # none of the axis, and of what was declared


def aligned(
    clocks: Sequence[SourceClock],
    series: Sequence[Series],
    declared: Mapping[str, tuple[int, float]],
    axis: str | None = None,
    decisions: Decisions = NOTHING_DECIDED,
) -> Alignment:
    """The clock of every source.

    Args:
        clocks: the sources' clocks; their order settles ties.
        series: the recurring values found in them.
        declared: source -> offset (ns) and drift (ppm) that the user stated.
        axis: the source whose clock is the common axis; else the lowest rank's first.
        decisions: what the user decided about anchors and offsets.
    """
    anchors = {clock.source: Anchors.none(clock.source) for clock in clocks}
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
        ties = {c.source: ties_of(c, maps, clocks, series, decisions.of(c.source)) for c in left}
        best = max(left, key=lambda c: sum(t.weight for t in ties[c.source].values()))
        own, placed = ties[best.source], decisions.of(best.source).placed
        maps[best.source], anchors[best.source] = _tied(best, own, maps, clocks, placed)
        left.remove(best)
    return Alignment(maps, anchors)


def _piece(
    clock: SourceClock, inside: npt.NDArray[np.bool_], method: str, offset_ns: int, ppm: float = 0.0
) -> ClockPiece:
    """A piece whose offset is known or means nothing."""
    known = {"none": None, "wall-clock": WALL_BAND_NS, "declared": clock.late_ns}
    band = known.get(method, 0)
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
    return spanned(bare, clock.native_ns[inside])


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


def _tied(
    clock: SourceClock,
    ties: Mapping[int, Tie],
    maps: Mapping[str, ClockMap],
    clocks: Sequence[SourceClock],
    placed: Sequence[Placed],
) -> tuple[ClockMap, Anchors]:
    """The clock map of a source from the ties of its epochs, and its anchors."""
    wall = _wall_offset_ns(clock, clocks, maps)
    quiet = np.concatenate(
        [np.empty((0, 2), np.int64)]
        + [maps[c.source].common_ns(c.quiet_ns.ravel()).reshape(-1, 2) for c in clocks
           if c.source in maps and maps[c.source].is_aligned and len(c.quiet_ns)]
    )  # fmt: skip
    found: list[ClockPiece] = []
    used: list[tuple[Tie, FittedTie | None]] = []
    piece_of = np.zeros(len(clock.native_ns), np.int64)
    for epoch in clock.epochs:
        rows = np.flatnonzero(clock.epoch == epoch)
        tie = ties.get(epoch)
        fitted = fitted_tie(clock, rows, tie) if tie is not None and tie.ways else None
        if tie is not None:
            used.append((tie, fitted))
        for inside, piece in fitted.pieces if fitted else ():
            piece_of[inside] = len(found)
            found.append(piece)
        if fitted is None or not fitted.pieces:
            piece_of[rows] = len(found)
            method = "none" if wall is None else "wall-clock"
            bare = _piece(clock, clock.epoch == epoch, method, wall or 0)
            before = found[-1] if found else None
            native = clock.native_ns[rows]
            found.append(_after_silence(bare, native, before, quiet, placed) or bare)
    its = ClockMap(tuple(found), piece_of)
    return its, told_anchors(clock, its, used)


def _after_silence(
    bare: ClockPiece,
    native_ns: Int64s,
    before: ClockPiece | None,
    quiet: Int64s,
    placed: Sequence[Placed] = (),
) -> ClockPiece | None:
    """A piece that nothing ties begins in a silence of the bus: a board that starts anew is silent.

    Args:
        bare: the piece, not aligned.
        native_ns: its stamps.
        before: the piece before it, whose end it follows.
        quiet: int64[k, 2] silences on the axis.
        placed: offsets the user chose.

    Returns:
        The piece, known within half the silence; with several silences to choose from, the one the
        user chose, or the first and `ambiguous`. None where there is none, or a clock that tells
        the date anyway.
    """
    if before is None or not before.is_aligned or bare.is_aligned or not len(native_ns):
        return None
    fits = quiet[quiet[:, 1] > before.until_ns]
    if not len(fits):
        return None
    begins = np.maximum(fits[:, 0], before.until_ns)
    offsets = (begins + fits[:, 1]) // 2 - native_ns[0]
    halves = (fits[:, 1] - begins) // 2
    chosen = _chosen(offsets, halves, placed)
    at = 0 if chosen is None else chosen
    band = int(halves[at]) + (before.band_ns or 0)
    found = replace(
        bare,
        offset_ns=int(offsets[at]),
        band_ns=band,
        least_band_ns=band,
        anchors=1,
        method="reset-silence" if chosen is None else "chosen",
        ambiguous=len(fits) > 1 and chosen is None,
        rivals_ns=tuple(np.delete(offsets, at)[:MOST_SILENCES].tolist()),
    )
    return spanned(found, native_ns)


def _chosen(offsets: Int64s, halves: Int64s, placed: Sequence[Placed]) -> int | None:
    """Which silence the user put the piece into, the last choice first; None when into none."""
    for each in reversed(placed):
        off = np.abs(offsets - each.gap_ns)
        if (off <= halves).any():
            return int(np.argmin(off))
    return None


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
