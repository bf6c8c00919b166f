"""One row of the trust sheet, and the table of them.

A row says of one source and one span what is the matter with it. What leaves no trace in the data
cannot stand here: lines taken out of a log that has neither stamps nor counters, or whole
transactions taken out of a capture that notes only changes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import polars as pl

Severity = Literal["gap", "doubtful", "note"]
SEVERITIES: tuple[Severity, ...] = ("gap", "doubtful", "note")  # gravest first

# Every kind a row can be of, by where it comes from.
KINDS = (
    # any source
    "coverage",  # from its first event to its last
    "begins-late",  # nothing in it while the run had begun
    "ends-early",  # nothing in it while the run goes on
    "stopped",  # the file is bad from here on
    # captures
    "not-observed",  # no samples between two stretches, or samples left out
    "sampling",  # sample period, narrowest pulse and what the bus mode needs
    "coarse-sampling",  # too few samples a pulse to be sure of them
    "undecodable",  # edges that make no transaction, or one that lost clocks
    "spikes",  # pulses shorter than the filter were taken out
    # prints
    "cut-line",  # lost its beginning or end, or two lines in one
    "bytes-missing",  # a counter that goes up by one, line by line, skips numbers
    "damaged",  # bytes that printed text has none of
    "line-load",  # the serial line was as good as full
    "rollover",
    "restart",
    "clock-set",
    "no-times",
    # messages
    "lost",  # every counter of a topic skips numbers
    "repeated",  # also of prints: the same line again
    "retained",  # the broker's memory, not news
    "unreadable",  # lines of the recording that are no message
    "out-of-order",  # the recorder's clock was set back
    # clocks
    "not-aligned",
    "ambiguous",
    "wide-band",
)
MOST_OF_A_KIND = 200  # rows of one source and kind; what is more is told as one


@dataclass(frozen=True, slots=True)
class TrustRow:
    """What is the matter with one source over one span of the common axis (ns)."""

    source: str
    from_ns: int | None  # None: not known
    until_ns: int | None
    kind: str  # one of KINDS
    severity: Severity  # `gap`: nothing observed
    what: str  # for people; names in it come from outside and are not cleaned
    value: float | None = None
    limit: float | None = None
    unit: str = ""


def in_order(rows: Iterable[TrustRow]) -> list[TrustRow]:
    """Rows by source in the order they come, then by time, gravest first; never too many."""
    by_source: dict[str, list[TrustRow]] = {}
    for row in rows:
        by_source.setdefault(row.source, []).append(row)
    return [
        row
        for found in by_source.values()
        for row in sorted(
            _not_too_many(found),
            key=lambda r: (_early(r.from_ns), SEVERITIES.index(r.severity), KINDS.index(r.kind)),
        )
    ]


def _early(t_ns: int | None) -> int:
    return -(2**63) if t_ns is None else t_ns


def _not_too_many(rows: Sequence[TrustRow]) -> list[TrustRow]:
    """At most `MOST_OF_A_KIND` rows of each kind, the last of which stands for the rest."""
    kinds: dict[str, list[TrustRow]] = defaultdict(list)
    for row in rows:
        kinds[row.kind].append(row)
    kept = []
    for found in kinds.values():
        kept += found[: MOST_OF_A_KIND - 1]
        rest = found[MOST_OF_A_KIND - 1 :]
        if len(rest) == 1:
            kept += rest
        elif rest:
            gravest = min(rest, key=lambda r: SEVERITIES.index(r.severity))
            until = max((r.until_ns for r in rest if r.until_ns is not None), default=None)
            what = f"{gravest.what}, and {len(rest) - 1:,} more like it"
            kept.append(replace(gravest, from_ns=rest[0].from_ns, until_ns=until, what=what))
    return kept


def trust_frame(rows: Sequence[TrustRow]) -> pl.DataFrame:
    """The `trust` table, in the order of the rows."""
    schema = {
        "source": pl.String,
        "from_ns": pl.Int64,
        "until_ns": pl.Int64,
        "kind": pl.String,
        "severity": pl.String,
        "what": pl.String,
        "value": pl.Float64,
        "limit": pl.Float64,
        "unit": pl.String,
    }
    return pl.DataFrame(
        {name: [getattr(row, name) for row in rows] for name in schema}, schema=schema
    )
