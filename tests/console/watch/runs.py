"""Made-up runs for the rules: tables from short words, and runs cut into batches."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise

import polars as pl

from console.bench.tables import TABLES, time_column
from console.watch.findings import Finding, in_order
from console.watch.rule import Batch, Rule

MS = 1_000_000
S = 1_000_000_000

Tables = dict[str, pl.DataFrame]


def table(name: str, rows: Iterable[Mapping[str, object]]) -> pl.DataFrame:
    """A table from rows that say what matters; sorted by time."""
    columns = TABLES[name]
    full = [{column: row.get(column) for column in columns} for row in rows]
    return pl.DataFrame(full, schema=dict(columns)).sort(time_column(name), maintain_order=True)


def transaction(t_ns: int, address: int = 0x2E, **more: object) -> dict[str, object]:
    """A transaction of 300 us that was answered, but for what is said."""
    row: dict[str, object] = {
        "start_ns": t_ns,
        "end_ns": t_ns + 300_000,
        "source": "wire",
        "bus": "i2c-1",
        "address": address,
        "address_bits": 7,
        "read": False,
        "address_acked": True,
        "data": "10",
        "acks": "A",
        "started_by": "start",
        "ended_by": "stop",
        "problems": [],
    }
    return row | more


def nack(t_ns: int, address: int = 0x2E, **more: object) -> dict[str, object]:
    """A transaction whose address nobody acknowledged."""
    silent = {"address_acked": False, "data": "", "acks": "", "problems": ["address-nack"]}
    return transaction(t_ns, address, **(silent | more))


def poll(t_ns: int, address: int = 0x2E, data: str = "0a1b2c") -> list[dict[str, object]]:
    """A write and, 2 ms later, the read that answers it."""
    acks = "A" * (len(data) // 2 - 1) + "N"
    return [
        transaction(t_ns, address),
        transaction(t_ns + 2 * MS, address, read=True, data=data, acks=acks),
    ]


def polls(seconds: Iterable[float], address: int = 0x2E) -> list[dict[str, object]]:
    """Polls at these seconds."""
    return [row for s in seconds for row in poll(round(s * S), address)]


def nacks(seconds: Iterable[float], address: int = 0x2E) -> list[dict[str, object]]:
    """Unanswered writes at these seconds."""
    return [nack(round(s * S), address) for s in seconds]


def watched(
    rules: Iterable[Rule],
    tables: Tables,
    until_ns: int,
    cuts: Sequence[int] = (),
    observed_until: Mapping[str, int] | None = None,
) -> list[Finding]:
    """What rules find in a run that is cut at these times."""
    first = min((int(t[time_column(n)][0]) for n, t in tables.items() if t.height), default=0)
    borders = [-(2**62), *sorted(c for c in cuts if c < until_ns), until_ns]
    found = []
    for rule in rules:
        rule.begin(first)
        for after, until in pairwise(borders):
            rows = {
                name: frame.filter(
                    (pl.col(time_column(name)) > after) & (pl.col(time_column(name)) <= until)
                )
                for name, frame in tables.items()
            }
            seen = {s: min(end, until) for s, end in (observed_until or {}).items()}
            found += rule.feed(Batch(rows, until, seen))
        found += rule.finish(until_ns)
    return in_order(found)
