"""What one event is tied to: its causes and effects, and the findings it is evidence of."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import polars as pl

from console.timeline.events import EVENT_TABLES
from console.timeline.sheet.lines import MOST_AROUND, Heading, Line, Link, More, Told, clipped
from console.timeline.sheet.run import Row, Run
from console.timeline.words import event_words

MOST_WORDS = 120  # characters said of a linked event


def around_lines(run: Run, table: str, row: int, t_ns: int) -> list[Line]:
    """Causes and effects of an event, and the findings whose evidence names its time."""
    lines: list[Line] = []
    for is_cause, heading in ((True, "caused by"), (False, "led to")):
        found = list(_links(run, table, row, is_cause=is_cause))
        if found:
            lines += [Heading(heading), *found]
    told = findings_at(run, t_ns)
    if told:
        lines.append(Heading("evidence of"))
        lines += told
    return lines


def _links(run: Run, table: str, row: int, *, is_cause: bool) -> Iterator[Line]:
    links = run.tables.get("links")
    if links is None or table == "links":
        return
    own, other = ("to", "from") if is_cause else ("from", "to")
    found = links[(links[f"{own}_row"] == row).arg_true()].filter(pl.col(f"{own}_table") == table)
    for link in found.head(MOST_AROUND).iter_rows(named=True):
        yield _link(run, link, other, is_cause=is_cause)
    if found.height > MOST_AROUND:
        yield More(found.height - MOST_AROUND, "links")


def _link(run: Run, link: Row, other: str, *, is_cause: bool) -> Link:
    table, row = link[f"{other}_table"], link[f"{other}_row"]
    party, what = link.get(f"{other}_party"), str(table or "")
    if table in EVENT_TABLES and row is not None:
        what = event_words(table, run.tables[table].row(int(row), named=True))
    if link["outcome"] != "seen":
        what = "not seen" if link["outcome"] == "missing" else "not observable"
    return Link(
        is_cause,
        "" if party is None else run.parties.every[int(party)].name,
        clipped(what, MOST_WORDS),
        link["latency_ns"],
        int(link.get("band_ns") or 0),
        str(link.get("by") or ""),
        str(link["outcome"]),
        str(table or ""),
        -1 if row is None else int(row),
    )


def findings_at(run: Run, t_ns: int) -> list[Line]:
    """Findings whose evidence has the time of an event, to the nanosecond."""
    findings = run.tables.get("findings")
    if findings is None:
        return []
    named = pl.col("evidence").str.contains(str(t_ns), literal=True) | (pl.col("t_ns") == t_ns)
    rows = findings.with_row_index("row").filter(named)
    told = [_told(row) for row in rows.iter_rows(named=True) if _names(row, t_ns)]
    if len(told) > MOST_AROUND:
        return [*told[:MOST_AROUND], More(len(told) - MOST_AROUND, "findings")]
    return list(told)


def _names(row: Row, t_ns: int) -> bool:
    return row["t_ns"] == t_ns or t_ns in _times(json.loads(row["evidence"]))


def _times(evidence: Any) -> Iterator[int]:
    """Every moment in a finding's evidence."""
    for name, value in evidence.items() if isinstance(evidence, dict) else ():
        if name.endswith("_ns"):
            yield from value if isinstance(value, list) else [value]


def _told(row: Row) -> Told:
    return Told(row["severity"], row["rule"], row["summary"], row["t_ns"], row["row"])
