"""Something that comes once a period, or never stays away for long; told late, early and silent.

Silence is found because time passes: no event need come. It is judged as long as the source that
the events come from was watched: only what lasted too long between two spans in which it may have
missed some is one, and coming back is none. Before the first event silence counts only if none
comes at all: a log often begins later than a capture.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from console.trust.unobserved import NOTHING, Unobserved
from console.watch.findings import Finding, Severity, Tally, counted
from console.watch.names import Names
from console.watch.rows import Selection, Subject
from console.watch.rule import Batch, Horizon, Words

# Silences told one by one; a source that comes and goes all day fills no screen.
SILENCES_TOLD = 20


class Cadence:
    """A fold to events that come late or early, and to their silences.

    Args:
        table: whose rows.
        names: who is who.
        where: which rows, SQL.
        period_ns: from one to the next; None: only silence counts.
        tolerance: by which share of the period the next may be late or early.
        silence_ns: how long they may stay away; None: only the period counts.
        name: what the user calls the rule.
        severity: of a silence; late and early events are warnings at most.
    """

    def __init__(
        self,
        table: str,
        names: Names,
        *,
        where: str = "",
        period_ns: int | None = None,
        tolerance: float = 0.5,
        silence_ns: int | None = None,
        name: str = "",
        severity: Severity = "fault",
    ) -> None:
        self._selection = Selection(table, where, names)
        self._what = name or (where and f"{table} where {where}") or table
        self._period_ns = period_ns
        self._silence_ns = silence_ns
        slack = 0 if period_ns is None else round(period_ns * tolerance)
        self._late_ns = 2**62 if period_ns is None else period_ns + slack
        self._early_ns = 0 if period_ns is None else max(0, period_ns - slack)
        self._severity: Severity = severity
        self._words = Words(0)
        self._start_ns = 0
        self._last_ns: int | None = None
        self._subject: Subject | None = None  # of the last event
        self._events = 0
        self._late, self._early, self._more = Tally(), Tally(), Tally()
        self._told = 0
        self._observed_until: Mapping[str, int] = {}
        self._unobserved: Mapping[str, Unobserved] = {}

    def begin(self, start_ns: int) -> None:
        """Silence counts from here on."""
        self._words = Words(start_ns)
        self._start_ns = start_ns

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; return the silences that are over."""
        self._observed_until, self._unobserved = batch.observed_until, batch.unobserved
        rows = self._selection.rows(batch)
        if not rows.height:
            return []
        times = self._selection.times(rows)
        if self._subject is None:
            self._subject = next(self._selection.by_subject(rows.head(1)))[0]
        before = np.concatenate([[times[0]], times[:-1]])
        known = np.ones(len(times), np.bool_)
        if self._last_ns is None:
            known[0] = False
        else:
            before[0] = self._last_ns
        gaps = times - before
        whole = ~self._spans().touches(before, times)
        silent = known & (gaps > (2**62 if self._silence_ns is None else self._silence_ns))
        self._late.add(times[known & whole & ~silent & (gaps > self._late_ns)])
        self._early.add(times[known & whole & (gaps < self._early_ns)])
        findings = []
        for k in np.flatnonzero(silent):
            findings += self._over(int(before[k]), int(times[k]), self._events + int(k))
        self._last_ns = int(times[-1])
        self._events += len(times)
        return findings

    def _spans(self) -> Unobserved:
        """In which the source of the events may have missed some."""
        source = self._subject.source if self._subject else ""
        return self._unobserved.get(source, NOTHING)

    def _over(self, last_ns: int, next_ns: int, events: int) -> list[Finding]:
        """The silences between two events that are told one by one; the others are counted."""
        findings = []
        for since_ns, until_ns in self._silent(last_ns, next_ns, self._silence_ns):
            if self._told >= SILENCES_TOLD:
                self._more.add(np.array([since_ns]))
                continue
            self._told += 1
            findings.append(self._silence((since_ns, until_ns), last_ns, events, over=True))
        return findings

    def _silent(self, from_ns: int, until_ns: int, allowed_ns: int | None) -> list[tuple[int, int]]:
        """What of a stretch without events was observed for longer than is allowed."""
        if allowed_ns is None:
            return []
        return [(a, b) for a, b in self._spans().observed(from_ns, until_ns) if b - a > allowed_ns]

    def finish(self, until_ns: int) -> list[Finding]:
        """Return the silence that lasts, and what came late or early."""
        findings = []
        source = self._subject.source if self._subject else None
        end_ns = Horizon(until_ns, self._observed_until).of(source or None)
        since_ns = self._start_ns if self._last_ns is None else self._last_ns
        allowed_ns = self._silence_ns
        if allowed_ns is None:
            allowed_ns = self._late_ns
        for stretch in self._silent(since_ns, end_ns, allowed_ns):
            over = stretch[1] < end_ns
            findings.append(self._silence(stretch, since_ns, self._events, over=over))
        if self._more.count:
            findings.append(self._more_silences())
        for tally, word in ((self._late, "late"), (self._early, "early")):
            if tally.count:
                findings.append(self._off_beat(tally, word))
        return findings

    def _silence(
        self, stretch: tuple[int, int], last_ns: int, events: int, *, over: bool
    ) -> Finding:
        since_ns, until_ns = stretch
        lasted = self._words.lasting(until_ns - since_ns)
        at = self._words.at(since_ns)
        if not events:
            summary = f"{self._what}: nothing came in {lasted}"
        elif over:
            summary = f"{self._what}: nothing came for {lasted}, from {at} on"
        else:
            after = counted(events, "event")
            summary = f"{self._what}: nothing has come since {at} ({lasted}), after {after}"
        evidence = {
            "table": self._selection.table,
            "where": self._selection.where.text,
            "last_ns": last_ns if events else None,
            "silent_ns": until_ns - since_ns,
            "events": events,
            "until_ns": until_ns if over else None,
        }
        return self._finding(since_ns, self._severity, summary, evidence)

    def _more_silences(self) -> Finding:
        times = counted(self._more.count, "more time")
        summary = f"{self._what}: nothing came for too long {times}"
        evidence = {"table": self._selection.table, **self._more.evidence()}
        return self._finding(self._more.first_ns, self._severity, summary, evidence)

    def _off_beat(self, tally: Tally, word: str) -> Finding:
        summary = (
            f"{self._what}: {word} {counted(tally.count, 'time')} of {self._events:,}, first at "
            f"{self._words.at(tally.first_ns)}"
        )
        evidence = {
            "table": self._selection.table,
            "where": self._selection.where.text,
            "period_ns": self._period_ns,
            "kind": word,
            "of": self._events,
            **tally.evidence(),
        }
        severity: Severity = "warning" if self._severity == "fault" else self._severity
        return self._finding(tally.first_ns, severity, summary, evidence)

    def _finding(
        self, t_ns: int, severity: Severity, summary: str, evidence: dict[str, Any]
    ) -> Finding:
        party = self._subject.party if self._subject else ""
        source = self._subject.source if self._subject else ""
        return Finding(t_ns, "cadence", severity, party, source, summary, evidence)
