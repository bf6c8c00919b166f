"""Findings as the rows of a list: grouped by party and rule, sorted, few of a kind one by one."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from console.watch.evidence_words import count_of, last_of, times_of
from console.watch.findings import SEVERITIES, SILENCES, Finding, Severity, in_order

Sort = Literal["gravity", "time", "party"]
SORTS: tuple[Sort, ...] = ("gravity", "time", "party")
FEW = 5  # findings of a group that are shown one by one; more are one row that can be opened


class GroupKey(NamedTuple):
    """What findings of one group have in common."""

    party: str  # as it is shown, not cleaned
    rule: str
    severity: Severity


@dataclass(frozen=True, slots=True)
class Place:
    """A moment a row leads to, and the finding it belongs to."""

    t_ns: int
    finding: Finding


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One row: a finding, or all of a group."""

    key: GroupKey
    findings: tuple[Finding, ...]  # one, or a group's, by time
    count: int  # events it stands for
    last_ns: int  # when it was last so
    is_group: bool
    is_first: bool  # the row above is of another party or rule
    is_open: bool  # of a group: its findings follow

    @classmethod
    def of(
        cls,
        key: GroupKey,
        findings: tuple[Finding, ...],
        *,
        is_group: bool = False,
        is_first: bool = True,
        is_open: bool = False,
    ) -> FindingRow:
        """A row, counted once: a list draws it often."""
        count, last = sum(map(count_of, findings)), max(map(last_of, findings))
        return cls(key, findings, count, last, is_group, is_first, is_open)

    @property
    def first_ns(self) -> int:
        """When it was first so."""
        return self.findings[0].t_ns

    def places(self) -> list[Place]:
        """Where it leads: the moments of a finding, or the beginning of each of a group."""
        if self.is_group:
            return [Place(f.t_ns, f) for f in self.findings]
        (only,) = self.findings
        return [Place(t_ns, only) for t_ns in times_of(only)]


def finding_rows(
    findings: Sequence[Finding],
    party_of: Callable[[Finding], str],
    sort: Sort,
    opened: Collection[GroupKey] = (),
) -> list[FindingRow]:
    """The rows of a list.

    Args:
        findings: those to be shown.
        party_of: what a finding's party is called on the screen.
        sort: what goes first; within a group it is always time.
        opened: large groups whose findings are shown one by one.
    """
    groups: dict[GroupKey, list[Finding]] = {}
    for finding in in_order(findings):
        key = GroupKey(party_of(finding), finding.rule, finding.severity)
        groups.setdefault(key, []).append(finding)
    units = [unit for key, found in groups.items() for unit in _units(key, found)]
    rows: list[FindingRow] = []
    for key, own in sorted(units, key=lambda unit: _sort_key(sort, *unit)):
        is_first = not rows or rows[-1].key[:2] != key[:2]
        is_group, is_open = len(own) > 1, key in opened
        rows.append(FindingRow.of(key, own, is_first=is_first, is_group=is_group, is_open=is_open))
        if is_group and is_open:
            rows += [FindingRow.of(key, (finding,), is_first=False) for finding in own]
    return rows


def _units(key: GroupKey, found: list[Finding]) -> list[tuple[GroupKey, tuple[Finding, ...]]]:
    """What stands together wherever it is sorted to: many findings, or each of a few."""
    if len(found) > FEW:
        return [(key, tuple(found))]
    return [(key, (finding,)) for finding in found]


def _sort_key(sort: Sort, key: GroupKey, found: tuple[Finding, ...]) -> tuple[object, ...]:
    gravity = (SEVERITIES.index(key.severity), key.rule not in SILENCES)
    first_ns = found[0].t_ns
    if sort == "time":
        return first_ns, *gravity, key
    if sort == "party":
        return key.party, *gravity, key.rule, first_ns
    return *gravity, first_ns, key
