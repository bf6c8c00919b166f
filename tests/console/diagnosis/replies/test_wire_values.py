"""Printed and published values that differ from the wire's by a rule are told, others are not."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np
import pytest

from console.bench.model import Bench
from console.bench.tables import TABLES
from console.diagnosis.replies.wire_values import Watched, value_findings
from console.timeline.parties import parties_of
from console.trust.unobserved import Unobserved
from console.watch.findings import Finding
from tests.console.watch.runs import MS, S, Tables, table, transaction

N = 60
LEVELS = [int(v) for v in 600 + np.cumsum(np.random.default_rng(2).integers(-9, 10, N))]


def fields(**values: float) -> str:
    return json.dumps(values, separators=(",", ":"))


def run(
    printed: Sequence[float | None], published: Sequence[float | None], name: str = "level"
) -> Tables:
    """A level read once a second, printed 10 ms later and published 60 ms later."""
    packets = [
        {
            "start_ns": k * S,
            "end_ns": k * S + MS,
            "bus": "i2c-1",
            "device": "hopper",
            "packet": "reading",
            "direction": "read",
            "valid": True,
            "problems": [],
            "fields": fields(level=level),
            "band_ns": 0,
        }
        for k, level in enumerate(LEVELS)
    ]
    prints = [
        {
            "t_ns": k * S + 10 * MS,
            "source": "controller",
            "text": f"hopper level {value}",
            "band_ns": MS,
        }
        for k, value in enumerate(printed)
        if value is not None
    ]
    messages = [
        {
            "t_ns": k * S + 60 * MS,
            "source": "broker",
            "topic": "capline/hopper",
            "fields": fields(**{name: value}),
            "band_ns": MS,
        }
        for k, value in enumerate(published)
        if value is not None
    ]
    read = [transaction(k * S, 0x29, read=True, band_ns=0) for k in range(N)]
    made = {"transactions": read, "packets": packets, "prints": prints, "messages": messages}
    return {each: table(each, made.get(each, [])) for each in TABLES}


WIRE = str(transaction(0, 0x29)["source"])


def found(
    tables: Tables, until_ns: int = N * S, unobserved: Sequence[tuple[int, int]] = ()
) -> list[Finding]:
    watched = Watched({WIRE: until_ns}, {WIRE: Unobserved.of(unobserved)})
    return value_findings(tables, parties_of(tables, Bench()), 0, watched)


def told(
    printed: Sequence[float | None], published: Sequence[float | None] = (), name: str = "level"
) -> list[tuple[str, str]]:
    tables = run(printed, published, name)
    return [(f.evidence["problem"], f.summary.partition(" (")[0]) for f in found(tables)]


def test_equal_values_have_no_finding() -> None:
    assert told(LEVELS, LEVELS) == []


def test_the_value_of_the_poll_before_is_stale() -> None:
    stale = [None, *LEVELS[:-1]]
    words = "controller prints level as the wire said it one poll earlier"
    assert told(stale) == [("stale", words)]


@pytest.mark.parametrize(
    ("change", "problem", "words"),
    [
        (lambda v: v + 12, "offset", "broker publishes level 12 more than the wire"),
        (lambda v: v - 3, "offset", "broker publishes level 3 less than the wire"),
        (lambda v: v * 2.54, "factor", "broker publishes level 2.54 times what the wire said"),
        (
            lambda v: (v & 0xFF) << 8 | v >> 8,
            "swapped",
            "broker publishes level with the bytes the wire sent in the other order",
        ),
        (lambda v: v - 65_536, "offset", "broker publishes level 65536 less than the wire"),
    ],
)
def test_a_difference_that_is_a_rule_is_told(change, problem: str, words: str) -> None:  # type: ignore[no-untyped-def]
    assert told([], [change(v) for v in LEVELS]) == [(problem, words)]


def test_another_unit_is_no_difference() -> None:
    assert told([], [v / 10 for v in LEVELS]) == []
    assert told([], [v / 25.4 for v in LEVELS], "level_cm") == []


def test_two_counters_that_keep_pace_are_two_counters() -> None:
    tables = run([], [])
    counted = [fields(level=k) for k in range(N)]
    tables["packets"] = tables["packets"].with_columns(fields=np.array(counted).astype(str))
    rows = run([], [3 * k + 7 for k in range(N)])["messages"]
    assert found({**tables, "messages": rows}) == []


def test_values_that_have_nothing_in_common_are_left_alone() -> None:
    others = [float(v) for v in np.random.default_rng(8).integers(0, 4_000, N)]
    assert told([], others) == []


def silent_wire() -> Tables:
    """After forty seconds the wire carries nothing more, and all ones are printed."""
    tables = run([*LEVELS[:40], *[65_535] * 20], [])
    tables["packets"] = tables["packets"].head(40)
    return tables


def test_all_ones_printed_while_nothing_came_were_made_up() -> None:
    (finding,) = found(silent_wire())
    assert finding.evidence["problem"] == "invented"
    assert finding.summary.startswith(
        "controller prints level 65535 while no reply came on the wire (19 of 19 values)"
    )


def test_no_reply_is_missing_once_the_capture_has_ended() -> None:
    assert found(silent_wire(), until_ns=40 * S) == []


def test_no_reply_is_missing_where_the_capture_has_a_gap() -> None:
    assert found(silent_wire(), unobserved=[(40 * S, 50 * S)]) == []


def test_all_ones_that_the_wire_carried_were_not_made_up() -> None:
    tables = run([*LEVELS[:40], *[65_535] * 20], [])
    ones = [fields(level=v) for v in [*LEVELS[:40], *[65_535] * 20]]
    tables["packets"] = tables["packets"].with_columns(
        fields=np.array(ones, dtype=object).astype(str)
    )
    assert found(tables) == []


def test_where_clocks_leave_open_what_came_first_nothing_is_said() -> None:
    tables = run([None, *LEVELS[:-1]], [])
    tables["prints"] = tables["prints"].with_columns(band_ns=400 * MS)
    assert found(tables) == []
