"""The trust sheet in a few lines: what of each source is missing or in doubt."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from console.printable import printable
from console.timeline.times import since_start
from console.trust.sheet import SEVERITIES

MOST_LINES = 8
# Said in a source's own lines already.
_SAID = ("stopped", "not-aligned", "ambiguous")


def trust_lines(sheet: pl.DataFrame, start_ns: int) -> Iterator[str]:
    """A line for each source and kind that is more than a note, gravest first; none if all is well.

    Args:
        sheet: the `trust` table.
        start_ns: when the run began.
    """
    grave = sheet.filter((pl.col("severity") != "note") & ~pl.col("kind").is_in(_SAID))
    if not grave.height:
        return
    groups = grave.group_by("severity", "source", "kind", maintain_order=True).agg(
        pl.first("from_ns"), pl.first("until_ns"), pl.first("what"), count=pl.len()
    )
    ordered = sorted(groups.iter_rows(named=True), key=lambda g: SEVERITIES.index(g["severity"]))
    yield "what they cannot prove:"
    wide = max(len(printable(group["source"])) for group in ordered)
    for group in ordered[:MOST_LINES]:
        span = _span(group["from_ns"], group["until_ns"], start_ns)
        more = f", and {group['count'] - 1:,} such spans more" if group["count"] > 1 else ""
        name = printable(group["source"])
        yield f"  {name:{wide}}  {span}{group['kind']}: {printable(group['what'])}{more}"
    if len(ordered) > MOST_LINES:
        yield f"  and {len(ordered) - MOST_LINES} kinds more: export --table trust has them"


def _span(from_ns: int | None, until_ns: int | None, start_ns: int) -> str:
    if from_ns is None and until_ns is None:
        return ""
    first = "" if from_ns is None else since_start(from_ns - start_ns)
    last = "" if until_ns is None else since_start(until_ns - start_ns)
    if first == last:
        return f"at {first}  "
    return f"{first} to {last or 'the end'}  ".lstrip()
