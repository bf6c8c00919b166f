"""Rows that should not be there, one finding for each subject."""

from __future__ import annotations

from console.watch.findings import Finding, Severity, Tally, counted
from console.watch.names import Names
from console.watch.rows import Selection, Subject
from console.watch.rule import Batch, Words


class Pattern:
    """A fold to the rows for which a condition holds.

    Args:
        table: whose rows.
        where: which rows, SQL.
        names: who is who.
        rule: its name in findings.
        summary: what such rows mean, in words that follow "controller: ".
        name: what the user calls the rule.
        severity: of what it finds.
    """

    def __init__(
        self,
        table: str,
        where: str,
        names: Names,
        *,
        rule: str = "pattern",
        summary: str = "",
        name: str = "",
        severity: Severity = "warning",
    ) -> None:
        self._selection = Selection(table, where, names)
        self._rule = rule
        self._summary = summary or name or f"{table} where {where}"
        self._severity: Severity = severity
        self._words = Words(0)
        self._tallies: dict[Subject, Tally] = {}

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        for subject, part in self._selection.by_subject(self._selection.rows(batch)):
            self._tallies.setdefault(subject, Tally()).add(part["t_ns"].to_numpy())
        return []

    def finish(self, until_ns: int) -> list[Finding]:
        """Return one finding for each subject."""
        return [self._finding(subject, tally) for subject, tally in self._tallies.items()]

    def _finding(self, subject: Subject, tally: Tally) -> Finding:
        when = f"at {self._words.at(tally.first_ns)}"
        if tally.count > 1:
            when = f"{counted(tally.count, 'time')}, first {when}"
        evidence = {"table": self._selection.table, "where": self._selection.where.text}
        summary = f"{subject.name}: {self._summary}, {when}"
        return subject.finding(self._rule, self._severity, tally, summary, evidence)
