"""Findings as rows of a list."""

from __future__ import annotations

from console.app.finding_groups import FEW, GroupKey, Place, Sort, finding_rows
from console.watch.findings import Finding, Severity


def finding(
    t_ns: int, rule: str = "limits", severity: Severity = "warning", party: str = "press"
) -> Finding:
    return Finding(t_ns, rule, severity, party, "wire", f"{party} at {t_ns}", {})


def party_of(found: Finding) -> str:
    return found.party


MIXED = [
    finding(5),
    finding(9, "stops-answering", "fault"),
    finding(7, "reply-within", "fault", "broker"),
    finding(3, "spikes", "note", "bus"),
]


def firsts(sort: Sort) -> list[int]:
    return [row.first_ns for row in finding_rows(MIXED, party_of, sort)]


def test_by_gravity_who_went_silent_stands_first() -> None:
    assert firsts("gravity") == [9, 7, 5, 3]


def test_by_time_the_earliest_stands_first() -> None:
    assert firsts("time") == [3, 5, 7, 9]


def test_by_party_parties_stand_together_and_each_by_gravity() -> None:
    assert firsts("party") == [7, 3, 9, 5]


def test_few_findings_of_one_kind_stand_one_by_one() -> None:
    rows = finding_rows([finding(t) for t in range(FEW)], party_of, "time")
    assert [(row.is_group, row.is_first) for row in rows] == [(False, k == 0) for k in range(FEW)]


def test_by_time_few_findings_of_one_kind_stand_among_others() -> None:
    rows = finding_rows([*MIXED, finding(8)], party_of, "time")
    got = [(row.first_ns, row.is_first) for row in rows]
    assert got == [(3, True), (5, True), (7, True), (8, True), (9, True)]


def test_many_findings_of_one_kind_are_one_row_until_it_is_opened() -> None:
    many = [finding(t) for t in range(FEW + 1)]
    (row,) = finding_rows(many, party_of, "time")
    opened = finding_rows(many, party_of, "time", {GroupKey("press", "limits", "warning")})
    assert (row.is_group, row.count, row.first_ns, row.last_ns) == (True, FEW + 1, 0, FEW)
    assert [r.is_group for r in opened] == [True] + [False] * (FEW + 1)


def test_a_group_leads_to_the_beginning_of_each_of_its_findings() -> None:
    many = [finding(t) for t in range(FEW + 1)]
    (row,) = finding_rows(many, party_of, "time")
    assert row.places() == [Place(f.t_ns, f) for f in many]


def test_a_finding_that_stands_for_many_leads_to_each_of_its_times() -> None:
    evidence = {"count": 3, "first_ns": 5, "last_ns": 40, "times_ns": [5, 20, 40]}
    many = Finding(5, "limits", "warning", "press", "wire", "press", evidence)
    (row,) = finding_rows([many], party_of, "time")
    assert [place.t_ns for place in row.places()] == [5, 20, 40]
    assert (row.count, row.last_ns) == (3, 40)
