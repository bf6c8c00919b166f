"""A number outside its limits, one finding for each subject."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from console.bench.conditions import Kind, value_of
from console.watch.findings import Finding, Severity, Tally, counted
from console.watch.names import Names
from console.watch.rows import Selection, Subject
from console.watch.rule import Batch, Words


@dataclass(slots=True)
class _Outside:
    rows: int = 0
    low: Tally = field(default_factory=Tally)
    high: Tally = field(default_factory=Tally)
    lowest: float = np.inf
    highest: float = -np.inf


class Limits:
    """A fold to the values below `low` or above `high`; both limits are allowed values.

    Rows without a number there are no matter of this rule.

    Args:
        table: whose rows.
        field: column, or path into `fields`.
        names: who is who.
        low: lowest allowed value; None for none.
        high: highest allowed value; None for none.
        where: which rows, SQL.
        name: what the user calls the rule.
        severity: of what it finds.
    """

    def __init__(
        self,
        table: str,
        field: str,
        names: Names,
        *,
        low: float | None = None,
        high: float | None = None,
        where: str = "",
        name: str = "",
        severity: Severity = "fault",
    ) -> None:
        self._selection = Selection(table, where, names)
        self._value = value_of(table, field, Kind.NUMBER)
        self._low = -np.inf if low is None else low
        self._high = np.inf if high is None else high
        self._limits = (low, high)
        self._name = name
        self._severity: Severity = severity
        self._words = Words(0)
        self._found: dict[Subject, _Outside] = {}

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        rows = self._selection.rows(batch)
        for subject, part in self._selection.by_subject(rows, self._value):
            values = part["value"].cast(pl.Float64).fill_null(np.nan).to_numpy()
            times = part["t_ns"].to_numpy()
            found = self._found.setdefault(subject, _Outside())
            low, high = values < self._low, values > self._high
            found.rows += int(np.isfinite(values).sum())
            found.low.add(times[low])
            found.high.add(times[high])
            if low.any():
                found.lowest = min(found.lowest, float(values[low].min()))
            if high.any():
                found.highest = max(found.highest, float(values[high].max()))
        return []

    def finish(self, until_ns: int) -> list[Finding]:
        """Return one finding for each subject and limit."""
        findings = []
        for subject, found in self._found.items():
            if found.low.count:
                findings.append(self._finding(subject, found, "below", found.low, found.lowest))
            if found.high.count:
                findings.append(self._finding(subject, found, "above", found.high, found.highest))
        return findings

    def _finding(
        self, subject: Subject, found: _Outside, side: str, tally: Tally, worst: float
    ) -> Finding:
        low, high = self._limits
        limit = low if side == "below" else high
        what = "lowest" if side == "below" else "highest"
        called = f" ({self._name})" if self._name else ""
        summary = (
            f"{subject.name}: {self._value.name} {side} {_said(limit)}{called} in "
            f"{counted(tally.count, 'row')} of {found.rows:,}, {what} {_said(worst)}, first at "
            f"{self._words.at(tally.first_ns)}"
        )
        evidence = {
            "table": self._selection.table,
            "field": self._value.name,
            "min": low,
            "max": high,
            "side": side,
            what: worst,
            "of": found.rows,
        }
        return subject.finding("limits", self._severity, tally, summary, evidence)


def _said(value: float | None) -> str:
    """A number as people write it: whole ones in full, others to six digits."""
    if value is None:
        return ""
    return f"{value:,.0f}" if value == round(value) and abs(value) < 1e15 else f"{value:g}"
