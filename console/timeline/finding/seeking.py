"""The next and the previous event of a sort, from where the user stands.

Columns are looked through in windows that grow away from the place, so that what is near is found
at once in a run of any length. Behind the end the search goes on from the other end, and says so.
The event the user stands on is never found: None means that there is no other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.events import BAD, EVENT_TABLES, ODD, Events
from console.timeline.finding.same_kind import same_kind

Bools = npt.NDArray[np.bool_]
FIRST_WINDOW = 1_024
MOST_WINDOW = 1 << 18  # events looked through at once


@dataclass(frozen=True, slots=True)
class Found:
    """What was found: a place in a list of events or moments."""

    at: int
    wrapped: bool  # whether the search went round the end to find it


def next_where(
    holds: Callable[[int, int], Bools], n: int, k: int, *, forward: bool
) -> Found | None:
    """The nearest other event for which something holds.

    Args:
        holds: for events a to b (b left out), bool[b - a].
        n: how many events there are.
        k: where the user stands, 0 to n - 1.
        forward: later ones first, else earlier ones first.
    """
    ahead, behind = ((k + 1, n), (0, k)) if forward else ((0, k), (k + 1, n))
    for (low, high), wrapped in ((ahead, False), (behind, True)):
        for a, b in _windows(low, high, forward=forward):
            inside = np.flatnonzero(holds(a, b))
            if len(inside):
                return Found(a + int(inside[0 if forward else -1]), wrapped)
    return None


def _windows(low: int, high: int, *, forward: bool) -> Iterator[tuple[int, int]]:
    """Spans from low to high, or back from high to low, each larger than the one before."""
    size = FIRST_WINDOW
    while low < high:
        if forward:
            yield low, min(low + size, high)
            low += size
        else:
            yield max(high - size, low), high
            high -= size
        size = min(size * 4, MOST_WINDOW)


def next_problem(events: Events, k: int, *, forward: bool = True) -> Found | None:
    """The next event that is bad or odd."""

    def holds(a: int, b: int) -> Bools:
        state = events.state[a:b]
        found: Bools = (state == ODD) | (state == BAD)
        return found

    return next_where(holds, len(events), k, forward=forward)


def next_of_party(events: Events, k: int, *, forward: bool = True) -> Found | None:
    """The next event of the party whose event k is."""
    if not len(events):
        return None
    party = events.party[k]
    return next_where(lambda a, b: events.party[a:b] == party, len(events), k, forward=forward)


def next_of_kind(
    tables: Mapping[str, pl.DataFrame], events: Events, k: int, *, forward: bool = True
) -> Found | None:
    """The next event of the same kind as event k: see `same_kind.py`."""
    if not len(events):
        return None
    table, party = events.table[k], events.party[k]
    frame = tables[EVENT_TABLES[int(table)]]
    alike = same_kind(EVENT_TABLES[int(table)], frame.row(int(events.row[k]), named=True))

    def holds(a: int, b: int) -> Bools:
        found: Bools = (events.table[a:b] == table) & (events.party[a:b] == party)
        own = np.flatnonzero(found)
        if len(own):
            rows = events.row[a + own]
            # Rows of neighbouring events lie close together: a slice costs nothing, a gather does.
            low, high = int(rows.min()), int(rows.max()) + 1
            kind = frame[low:high].select(alike.fill_null(False)).to_series().to_numpy()
            found[own] = kind[rows - low]
        return found

    return next_where(holds, len(events), k, forward=forward)


def next_match(mask: Bools, k: int, *, forward: bool = True) -> Found | None:
    """The next event that a mask over all events selects."""
    return next_where(lambda a, b: mask[a:b], len(mask), k, forward=forward)


def next_moment(times_ns: Sequence[int], here_ns: int, *, forward: bool = True) -> Found | None:
    """The next finding or mark: the nearest time that is later, or earlier.

    Args:
        times_ns: moments on the common axis, in any order.
        here_ns: where the user stands.
        forward: later ones first, else earlier ones first.

    Returns:
        The place of the moment in `times_ns`, the first of several at one time.
    """
    others = {t_ns for t_ns in times_ns if t_ns != here_ns}
    if not others:
        return None
    ahead = [t_ns for t_ns in others if (t_ns > here_ns) == forward]
    nearest = min if forward else max
    return Found(list(times_ns).index(nearest(ahead or others)), wrapped=not ahead)
