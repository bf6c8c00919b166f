"""The rows a rule is about: chosen by a condition, grouped by whose they are, with one value."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from console.bench.conditions import Condition, Value, condition
from console.bench.tables import SUBJECTS, TABLES, time_column
from console.watch.findings import Finding, Severity, Tally
from console.watch.gaps import Ints
from console.watch.names import Names
from console.watch.rule import Batch

_WAYS = re.compile(r"(?i)\b(?:direction|client)\b")


@dataclass(frozen=True, slots=True, order=True)
class Subject:
    """Whose rows they are."""

    name: str  # "camera", "0x2E on i2c-1", "controller", "cap/level"
    party: str
    source: str  # "" when it is not known

    def finding(
        self,
        rule: str,
        severity: Severity,
        tally: Tally,
        summary: str,
        evidence: Mapping[str, Any],
    ) -> Finding:
        """A finding at the first of its rows that were counted; all of them join the evidence."""
        return Finding(
            tally.first_ns,
            rule,
            severity,
            self.party,
            self.source,
            summary,
            {**evidence, **tally.evidence()},
        )


@dataclass(slots=True)
class Selection:
    """The rows of one table for which a condition holds.

    Of messages each counts once, unless the condition asks for one way or for one client.
    """

    table: str
    names: Names
    where: Condition = field(init=False)
    time: str = field(init=False)
    is_once: bool = field(init=False)

    def __init__(self, table: str, where: str, names: Names) -> None:
        self.table = table
        self.names = names
        self.where = condition(where, table)
        self.time = time_column(table)
        self.is_once = table == "messages" and not _WAYS.search(where)

    def __deepcopy__(self, memo: dict[int, object]) -> Selection:
        return copy.copy(self)  # nothing of it ever changes

    def rows(self, batch: Batch) -> pl.DataFrame:
        """The chosen rows of a batch."""
        table = batch.messages_once() if self.is_once else batch.table(self.table)
        return self.where.rows(table)

    def times(self, rows: pl.DataFrame) -> Ints:
        """When they were, ns."""
        return rows[self.time].to_numpy()

    def by_subject(
        self, rows: pl.DataFrame, value: Value | None = None
    ) -> Iterator[tuple[Subject, pl.DataFrame]]:
        """Rows of each subject, with the columns `t_ns` and, if asked for, `value`."""
        if not rows.height:
            return
        keys = [c for c in (*SUBJECTS[self.table], "source") if c in TABLES[self.table]]
        keys = list(dict.fromkeys(keys))
        columns = [pl.col(self.time).alias("t_ns")]
        if value is not None:
            columns.append(value.expr().alias("value"))
        wanted = rows.select(*(pl.col(key).alias(f"key {key}") for key in keys), *columns)
        parts = wanted.partition_by(
            [f"key {key}" for key in keys], as_dict=True, include_key=False, maintain_order=True
        )
        for found, part in parts.items():
            yield self._subject(dict(zip(keys, found, strict=True))), part

    def _subject(self, keys: dict[str, object]) -> Subject:
        source = str(keys.get("source") or "")
        if "address" in keys:
            bus, address = str(keys["bus"]), keys["address"]
            name = self.names.device(bus, address) if isinstance(address, int) else bus
            return Subject(name, self.names.party(name), source)
        if "topic" in keys:
            return Subject(str(keys["topic"]), source, source)
        own = [value for key, value in keys.items() if key != "source" or len(keys) == 1]
        name = str(next((value for value in own if value is not None), ""))
        if "device" in keys:
            source = source or self.names.source_of_device(name)
        return Subject(name, self.names.party(name), source)
