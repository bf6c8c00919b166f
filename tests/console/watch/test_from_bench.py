"""The rules of a bench take the place of the default ones they cover."""

from __future__ import annotations

from collections import Counter

import pytest

from console.bench.load import load_bench
from console.bench.model import Bench
from console.watch.findings import Finding, findings_frame
from console.watch.from_bench import names_of, rules_for
from console.watch.watching import watched
from tests.console.watch.runs import S, nacks, polls, table

BENCH = """
[[source]]
name = "wire"
kind = "capture"
path = "wire.csv"
[[bus]]
name = "i2c-1"
source = "wire"
scl = "a"
sda = "b"
[[device]]
name = "camera"
bus = "i2c-1"
address = 0x2E
party = "eye"
"""


def rule(text: str) -> Bench:
    return load_bench(f"{BENCH}\n[[rule]]\n{text}\n", "bench.toml")


def kinds(bench: Bench, *, defaults: bool = True) -> Counter[str]:
    return Counter(type(made).__name__ for made in rules_for(bench, defaults=defaults))


@pytest.mark.parametrize(
    ("text", "name", "count"),
    [
        ('kind = "stops-answering"', "StopsAnswering", 1),
        ('kind = "stops-answering"\ndevice = "camera"', "StopsAnswering", 2),
        ('kind = "line-held"', "LineHeld", 1),
        ('kind = "line-held"\nbus = "i2c-1"', "LineHeld", 2),
        ('kind = "check-code"', "PacketProblems", 2),
        ('kind = "check-code"\ndevice = "camera"', "PacketProblems", 3),
    ],
)
def test_a_rule_about_all_replaces_the_default_and_one_about_one_stands_beside_it(
    text: str, name: str, count: int
) -> None:
    assert kinds(rule(text))[name] == count


@pytest.mark.parametrize(
    "text",
    [
        'kind = "limits"\ntable = "messages"\nfield = "fields.x"\nmax = 3',
        'kind = "cadence"\ntable = "prints"\nsilence_s = 3',
        'kind = "sequence"\ntable = "messages"\nfield = "fields.n"',
        'kind = "reply-within"\nrequest_table = "prints"\nreply_table = "prints"\nwithin_s = 1',
        'kind = "pattern"\ntable = "prints"\nwhere = "damaged"',
    ],
)
def test_every_other_rule_adds_one(text: str) -> None:
    assert kinds(rule(text)).total() == kinds(Bench()).total() + 1
    assert kinds(rule(text), defaults=False).total() == 1


def test_a_stop_is_told_once_with_the_names_of_the_bench() -> None:
    rows = polls(range(50)) + nacks(range(50, 53))
    tables = {"transactions": table("transactions", rows)}
    bench = rule('kind = "stops-answering"\ndevice = "camera"\nafter_polls = 3')
    (finding,) = watched(bench, tables, 0, 53 * S)
    assert (finding.severity, finding.party) == ("fault", "eye")
    assert finding.evidence["device"] == "camera"


@pytest.mark.parametrize("own_first", [True, False])
def test_a_rule_about_all_leaves_alone_what_another_rule_is_about(own_first: bool) -> None:
    own = 'kind = "stops-answering"\ndevice = "camera"\nseverity = "note"'
    about_all = 'kind = "stops-answering"\nseverity = "warning"'
    first, second = (own, about_all) if own_first else (about_all, own)
    bench = rule(f"{first}\n[[rule]]\n{second}")
    rows = [
        row for at in (0x2E, 0x3C) for row in [*polls(range(50), at), *nacks(range(50, 70), at)]
    ]
    tables = {"transactions": table("transactions", rows)}
    found = watched(bench, tables, 0, 70 * S)
    assert sorted((f.evidence["address"], f.severity) for f in found) == [
        (0x2E, "note"),
        (0x3C, "warning"),
    ]


def test_the_source_of_a_device_is_known() -> None:
    assert names_of(load_bench(BENCH, "bench.toml")).source_of_device("camera") == "wire"


def test_the_table_of_findings_is_in_time_order_with_evidence_as_json() -> None:
    late = Finding(5, "limits", "note", "p", "s", "late", {"x": [1, None]})
    early = Finding(2, "limits", "fault", "p", "s", "éarly", {})
    frame = findings_frame([late, early])
    assert frame.columns == [
        "t_ns",
        "rule",
        "severity",
        "party",
        "source",
        "summary",
        "evidence",
    ]
    assert frame["summary"].to_list() == ["éarly", "late"]
    assert frame["evidence"].to_list() == ["{}", '{"x": [1, null]}']
    assert findings_frame([]).schema == frame.schema


def test_what_the_firmware_calls_an_error_is_noted_without_a_bench_file() -> None:
    rows = [
        {"t_ns": k * S, "source": "board", "text": "x", "level": level, "damaged": False}
        for k, level in enumerate(["info", "error", "warning", "error"])
    ]
    (found,) = watched(Bench(), {"prints": table("prints", rows)}, 0, 9 * S)
    assert (found.rule, found.severity, found.party) == ("error-prints", "note", "board")
    assert found.summary == "board: lines the firmware calls errors, 2 times, first at 00:01.000"
