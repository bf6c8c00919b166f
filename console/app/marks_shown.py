"""Marks in words: when, how far from the one before and from here, and with which doubt."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from console.app.run_view import RunView
from console.app.state.kept import Mark
from console.timeline.clocks import ClockPiece
from console.timeline.finding.difference import Difference, difference, shared_piece
from console.timeline.times import since_start


@dataclass(frozen=True, slots=True)
class KnownMoment:
    """A moment on the axis and how well it is known."""

    t_ns: int
    band_ns: int = 0  # a place on the axis that is nobody's event is exact; -1: not on the axis
    piece: ClockPiece | None = None  # the stretch of the clock that stamped it
    resolution_ns: int = 1  # of that clock's stamps: a capture's sample period


@dataclass(frozen=True, slots=True)
class ShownMark:
    """One row of the list of marks; texts are not cleaned."""

    mark: Mark
    time: str
    since_before: Difference | None  # from the mark before; None for the first
    from_here: Difference


def between(a: KnownMoment, b: KnownMoment) -> Difference:
    """The time from a to b; on one undisturbed clock only its drift is in doubt."""
    same = a.piece if a.piece is not None and a.piece is b.piece else None
    resolution_ns = max(a.resolution_ns, b.resolution_ns)
    return difference(a.t_ns, a.band_ns, b.t_ns, b.band_ns, same=same, resolution_ns=resolution_ns)


def known_moment(view: RunView, t_ns: int, event: int | None = None) -> KnownMoment:
    """How well a moment is known: as the event that is there.

    Args:
        view: the run.
        t_ns: the moment, common axis.
        event: the event that is meant; None: the best known of those at that time.
    """
    if event is None:
        low, high = (
            int(np.searchsorted(view.events.t_ns, t_ns, side=s)) for s in ("left", "right")
        )
        there = [_of_event(view, k) for k in range(low, min(high, low + 100))]
        known = [moment for moment in there if moment.band_ns >= 0]
        return min(known or there, key=lambda m: m.band_ns, default=KnownMoment(t_ns))
    return _of_event(view, event)


def _of_event(view: RunView, k: int) -> KnownMoment:
    t_ns = int(view.events.t_ns[k])
    clock = view.evidence.clocks.get(view.source(k))
    piece = None if clock is None else shared_piece(clock, t_ns, t_ns)
    usable = piece if piece is not None and piece.is_aligned else None
    return KnownMoment(t_ns, view.band_ns(k), usable, view.resolution_ns(view.source(k)))


def shown_marks(
    marks: Sequence[Mark],
    here: KnownMoment,
    known: Callable[[int], KnownMoment],
    start_ns: int,
) -> list[ShownMark]:
    """The marks by time.

    Args:
        marks: in any order.
        here: where the user stands.
        known: how well a moment is known.
        start_ns: where the run begins.
    """
    found: list[ShownMark] = []
    before: KnownMoment | None = None
    for mark in sorted(marks, key=lambda mark: mark.t_ns):
        there = known(mark.t_ns)
        found.append(
            ShownMark(
                mark,
                since_start(mark.t_ns - start_ns, there.band_ns if there.band_ns >= 0 else None),
                None if before is None else between(before, there),
                between(here, there),
            )
        )
        before = there
    return found
