"""A counter that goes up by one: gaps, repeats and resets, for each subject by itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from console.bench.conditions import Kind, value_of
from console.watch.findings import Finding, Severity, Tally, counted
from console.watch.gaps import Ints
from console.watch.names import Names
from console.watch.rows import Selection, Subject
from console.watch.rule import Batch, Words

# Where a counter may wrap when it is not told: 2^8, 2^16, 2^32.
USUAL_WRAPS = (1 << 8, 1 << 16, 1 << 32)
# A step back over a wrap is taken for missing numbers up to this share of the wrap, else for a
# reset; which of the two it is the numbers alone cannot say.
_SKIPPED_SHARE = 8


@dataclass(slots=True)
class _Counter:
    rows: int = 0
    last: int | None = None
    missing: int = 0
    gaps: Tally = field(default_factory=Tally)
    repeats: Tally = field(default_factory=Tally)
    resets: Tally = field(default_factory=Tally)


class Sequence:
    """A fold to the places where a counter does not go up by one.

    A wrap is no finding. Rows without a whole number there are no matter of this rule.

    Args:
        table: whose rows.
        field: column, or path into `fields`.
        names: who is who.
        where: which rows, SQL.
        wrap: the counter goes from wrap - 1 to 0; None: where it goes to 0 from 255, 65535 or
            4294967295, that was a wrap.
        name: what the user calls the rule.
        severity: of what it finds.
    """

    def __init__(
        self,
        table: str,
        field: str,
        names: Names,
        *,
        where: str = "",
        wrap: int | None = None,
        name: str = "",
        severity: Severity = "warning",
    ) -> None:
        self._selection = Selection(table, where, names)
        self._value = value_of(table, field, Kind.WHOLE)
        self._wrap = wrap
        self._name = name or self._value.name
        self._severity: Severity = severity
        self._words = Words(0)
        self._counters: dict[Subject, _Counter] = {}

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        rows = self._selection.rows(batch)
        for subject, part in self._selection.by_subject(rows, self._value):
            part = part.drop_nulls("value")
            if part.height:
                counter = self._counters.setdefault(subject, _Counter())
                self._take(counter, part["t_ns"].to_numpy(), part["value"].to_numpy())
        return []

    def _take(self, counter: _Counter, times: Ints, values: Ints) -> None:
        counter.rows += len(values)
        first = values[:1] if counter.last is None else np.array([counter.last])
        before = np.concatenate([first, values[:-1]])
        step = values - before
        if counter.last is None:
            step[0] = 1
        counter.last = int(values[-1])
        wraps = USUAL_WRAPS if self._wrap is None else (self._wrap,)
        over = np.zeros(len(step), np.int64)  # steps over the wrap, numbers from `before` on
        for wrap in wraps:
            back = (step < 0) & (before < wrap) & (over == 0)
            forward = step + wrap
            near = forward <= (1 if self._wrap is None else max(1, wrap // _SKIPPED_SHARE))
            over = np.where(back & near, forward, over)
        steps = np.where(over > 0, over, step)
        gaps = steps > 1
        counter.missing += int((steps[gaps] - 1).sum())
        counter.gaps.add(times[gaps])
        counter.repeats.add(times[steps == 0])
        counter.resets.add(times[steps < 0])

    def finish(self, until_ns: int) -> list[Finding]:
        """Return one finding for each subject and kind of break."""
        findings = []
        for subject, counter in self._counters.items():
            missing = counted(counter.missing, "number")
            for tally, kind, words in (
                (counter.gaps, "gap", f"{missing} missing in {{}}"),
                (counter.repeats, "repeat", "the same number again in {}"),
                (counter.resets, "reset", "went back in {}"),
            ):
                if tally.count:
                    place = words.format(counted(tally.count, "place"))
                    findings.append(self._finding(subject, counter, tally, kind, place))
        return findings

    def _finding(
        self, subject: Subject, counter: _Counter, tally: Tally, kind: str, words: str
    ) -> Finding:
        summary = (
            f"{subject.name}: {words} among {counter.rows:,} rows ({self._name}), first at "
            f"{self._words.at(tally.first_ns)}"
        )
        evidence: dict[str, Any] = {
            "table": self._selection.table,
            "field": self._value.name,
            "kind": kind,
            "of": counter.rows,
        }
        if kind == "gap":
            evidence["missing"] = counter.missing
        return subject.finding("sequence", self._severity, tally, summary, evidence)
