"""Rules over a run as if it were watched live: when each finding could have been told first.

The tables are given to the rules piece by piece, and after each it is asked what would be found if
the run ended there. Where something new is found the piece is halved until the moment is known. A
live watch looks once a second or oftener, so its user hears of it up to a second later; and it may
raise what is taken back before the next piece begins, which is not seen here.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from console.bench.model import Bench
from console.bench.tables import time_column
from console.pipeline.evidence import Evidence, Observation
from console.pipeline.run_findings import timed_rows
from console.timeline.links.passed_on import published_in
from console.watch.findings import Finding
from console.watch.from_bench import rules_for
from console.watch.raised import Key, key_of
from console.watch.rule import Batch, Rule

LEAST_PIECE_NS = 1_000_000_000
FINE_NS = 10_000_000  # to what the moment is known
_MOST_PIECES = 120  # of a run; each, and each halving, takes some 20 ms and what its rows take


@dataclass(frozen=True, slots=True)
class Alarm:
    """A finding, as it was first told."""

    finding: Finding
    told_ns: int  # common axis, to `FINE_NS`
    stands: bool  # whether it is among the findings of the whole run

    @property
    def delay_ns(self) -> int:
        """From when it begins to when it could have been told."""
        return max(0, self.told_ns - self.finding.t_ns)


@dataclass(frozen=True, slots=True)
class BackTest:
    """One run, watched again."""

    name: str
    start_ns: int
    end_ns: int
    alarms: Sequence[Alarm]  # by the time they were told
    healthy_until_ns: int  # when the first fault begins, or the end

    @classmethod
    def of(cls, bench: Bench, evidence: Evidence, name: str, *, healthy: bool = False) -> BackTest:
        """Watch a run again.

        Args:
            bench: whose rules.
            evidence: of the run.
            name: what to call it.
            healthy: whether it is known that nothing was wrong in it.
        """
        alarms = sorted(_alarms(bench, evidence), key=lambda alarm: alarm.told_ns)
        faults = [a.finding.t_ns for a in alarms if a.finding.severity == "fault"]
        until_ns = evidence.end_ns if healthy else min([*faults, evidence.end_ns])
        return cls(name, evidence.start_ns, evidence.end_ns, alarms, until_ns)

    @property
    def healthy_ns(self) -> int:
        """For how long it was healthy."""
        return max(0, self.healthy_until_ns - self.start_ns)


@dataclass(frozen=True, slots=True)
class RuleRate:
    """How one rule did, over all runs, for one party."""

    rule: str
    severity: str
    party: str
    alarms: int
    in_health: int  # of these, those that began while the run was healthy: false ones
    a_day: float | None  # of those; None where no run was healthy for any time
    median_delay_ns: int
    longest_delay_ns: int


def rates(runs: Sequence[BackTest]) -> list[RuleRate]:
    """What the rules did, gravest first, by rule and party."""
    days = sum(run.healthy_ns for run in runs) / 86_400e9
    groups: dict[tuple[str, str, str], list[tuple[BackTest, Alarm]]] = {}
    for run in runs:
        for alarm in run.alarms:
            f = alarm.finding
            groups.setdefault((f.severity, f.rule, f.party), []).append((run, alarm))
    grave = ("fault", "warning", "note")
    found = []
    for (severity, rule, party), members in groups.items():
        in_health = sum(a.finding.t_ns < r.healthy_until_ns for r, a in members)
        delays = sorted(alarm.delay_ns for _, alarm in members)
        a_day = in_health / days if days else None
        middle = delays[len(delays) // 2]
        found.append(
            RuleRate(rule, severity, party, len(members), in_health, a_day, middle, delays[-1])
        )
    return sorted(found, key=lambda r: (grave.index(r.severity), r.rule, r.party))


def _alarms(bench: Bench, evidence: Evidence) -> Iterator[Alarm]:
    pieces = _Pieces(timed_rows(evidence.tables), evidence.observation)
    described = evidence.tables["packets"]["device"].unique().drop_nulls().to_list()
    rules = rules_for(bench, described=described)
    for rule in rules:
        rule.begin(evidence.start_ns)
    final = {key_of(finding) for finding in evidence.findings}
    known: set[Key] = set()
    until_ns = evidence.observation.until_ns
    step = max(LEAST_PIECE_NS, (until_ns - evidence.start_ns) // _MOST_PIECES)
    low = evidence.start_ns - 1
    while low < until_ns:
        high = min(low + step, until_ns)
        for finding, told_ns in _told_within(rules, pieces, low, high, known):
            yield Alarm(finding, told_ns, key_of(finding) in final)
        low = high


def _told_within(
    rules: list[Rule], pieces: _Pieces, low: int, high: int, known: set[Key]
) -> Iterator[tuple[Finding, int]]:
    """What is told first between two moments; the rules are at `high` then."""
    before = copy.deepcopy(rules)
    complete = _fed(rules, pieces.between(low, high))
    fresh = _fresh([*complete, *_standing(rules, high)], known)
    if fresh and high - low > FINE_NS:
        middle = (low + high) // 2
        yield from _told_within(before, pieces, low, middle, known)
        yield from _told_within(before, pieces, middle, high, known)
        fresh = _fresh(fresh, known)
    for finding in fresh:
        known.add(key_of(finding))
        yield finding, high


def _fresh(found: Sequence[Finding], known: set[Key]) -> list[Finding]:
    return list({key_of(f): f for f in found if key_of(f) not in known}.values())


def _fed(rules: Sequence[Rule], batch: Batch) -> list[Finding]:
    return [found for rule in rules for found in rule.feed(batch)]


def _standing(rules: Sequence[Rule], until_ns: int) -> list[Finding]:
    return [found for rule in rules for found in copy.deepcopy(rule).finish(until_ns)]


class _Pieces:
    """The rows of a run by time."""

    def __init__(self, tables: Mapping[str, pl.DataFrame], observation: Observation) -> None:
        self._tables = tables
        self._observation = observation
        self._published = published_in(tables)

    def between(self, after_ns: int, until_ns: int) -> Batch:
        """Rows after a moment and not after another."""
        rows = {}
        for name, table in self._tables.items():
            times = table[time_column(name)]
            first = int(times.search_sorted(after_ns, side="right"))
            last = int(times.search_sorted(until_ns, side="right"))
            if last > first:
                rows[name] = table.slice(first, last - first)
        known = self._observation
        observed = {source: min(t, until_ns) for source, t in known.observed_until.items()}
        more = known.unobserved, known.off_axis, self._published
        return Batch(rows, until_ns, observed, *more)
