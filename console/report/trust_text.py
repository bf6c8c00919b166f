"""The trust sheet in a few lines: what of each source is missing or in doubt."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from console.printable import printable
from console.trust.sheet import SEVERITIES
from console.trust.trust_words import span_words
from console.watch.findings import counted

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
        span = span_words(group["from_ns"], group["until_ns"], start_ns)
        span += "  " * bool(span)
        more = ""
        if group["count"] > 1:
            more = f", and {counted(group['count'] - 1, 'more such span')}"
        name = printable(group["source"])
        yield f"  {name:{wide}}  {span}{group['kind']}: {printable(group['what'])}{more}"
    if len(ordered) > MOST_LINES:
        yield f"  and {len(ordered) - MOST_LINES} kinds more: export --table trust has them"
