"""Where the evidence of a run cannot be relied on: not observed, damaged, not aligned.

A finding that is absent here proves nothing in such a span.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

import polars as pl

from console.pipeline.evidence import Evidence, SourceReport


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason not to rely on a source, and over which span of the common axis (ns)."""

    source: str
    from_ns: int | None
    until_ns: int | None
    what: str

    def as_row(self) -> dict[str, Any]:
        """The doubt as a row for JSON."""
        return asdict(self)


def doubts(evidence: Evidence) -> list[Doubt]:
    """Every doubt the run's tables and reports give rise to, by source."""
    found = [doubt for source in evidence.sources for doubt in _source(source, evidence)]
    found += _not_observed(evidence.tables["line_states"])
    found += _damaged(evidence.tables["prints"])
    return sorted(found, key=lambda d: (d.source, d.from_ns or 0))


def _source(source: SourceReport, evidence: Evidence) -> Iterator[Doubt]:
    if source.stopped is not None:
        what = "not read to its end: " + str(source.stopped).splitlines()[0]
        yield Doubt(source.name, source.last_ns, None, what)
    clock = evidence.clocks.get(source.name)
    for piece in clock.pieces if clock else ():
        if piece.method == "none":
            yield Doubt(source.name, None, None, "not aligned: its times stand on no common axis")
        elif piece.ambiguous:
            what = "alignment is ambiguous: another offset fits nearly as well"
            yield Doubt(source.name, piece.from_ns, piece.until_ns, what)


def _not_observed(states: pl.DataFrame) -> Iterator[Doubt]:
    gaps = states.filter(pl.col("state") == "not-observed")
    for row in gaps.iter_rows(named=True):
        yield Doubt(row["source"], row["start_ns"], row["end_ns"], f"{row['bus']} not observed")


def _damaged(prints: pl.DataFrame) -> Iterator[Doubt]:
    spans = (
        prints.filter("damaged")
        .group_by("source", maintain_order=True)
        .agg(first=pl.col("t_ns").min(), last=pl.col("t_ns").max(), count=pl.len())
    )
    for source, first, last, count in spans.iter_rows():
        yield Doubt(source, first, last, f"{count} lines with damaged bytes")
