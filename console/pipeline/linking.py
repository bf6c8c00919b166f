"""Links of a run: found when somebody asks for them, as they take longer than the tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import polars as pl

from console.pipeline.evidence import Evidence
from console.timeline.clocks import ClockMap
from console.timeline.links.table import links_of
from console.timeline.parties import Parties
from console.trust.sheet import TrustRow
from console.trust.unobserved import NOTHING, Unobserved, unobserved

_EVER = 2**62


def linked(evidence: Evidence, parties: Parties) -> pl.DataFrame:
    """The `links` table of a run (`console/timeline/links/table.py` has its columns)."""
    trust = [TrustRow(**row) for row in evidence.tables["trust"].iter_rows(named=True)]
    return links_of(evidence.tables, parties, _unseen(unobserved(trust), evidence.clocks))


def _unseen(
    gaps: Mapping[str, Unobserved], clocks: Mapping[str, ClockMap]
) -> dict[str, Unobserved]:
    """Of each source the spans in which it could not have shown an effect in its place."""
    return {
        source: Unobserved.of([*_spans(gaps.get(source, NOTHING)), *off_axis(clock)])
        for source, clock in clocks.items()
    }


def _spans(gaps: Unobserved) -> Iterator[tuple[int, int]]:
    yield from zip(gaps.from_ns.tolist(), gaps.until_ns.tolist(), strict=True)


def off_axis(clock: ClockMap) -> Iterator[tuple[int, int]]:
    """Spans of the axis, in ns, in which a source may have said what has no place on it.

    A piece of its clock that is not aligned lies anywhere between its neighbours.
    """
    since, lost = -_EVER, False
    for piece in clock.pieces:
        if not piece.is_aligned:
            lost = True
            continue
        if lost:
            yield since, piece.from_ns
        since, lost = piece.until_ns, False
    if lost:
        yield since, _EVER
