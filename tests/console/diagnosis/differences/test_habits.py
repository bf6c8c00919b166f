"""How often things happen in a healthy stretch, and its waits."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from console.diagnosis.differences.habits import Habits, habits_of
from console.diagnosis.episode import Episode
from console.watch.names import Names
from tests.console.watch.runs import MS, S, Tables, nack, polls, table

NAMES = Names(devices={("i2c-1", 0x2E): "camera"})


def habits(tables: Tables, last_s: float, **more: Any) -> Habits:
    made: dict[str, Any] = {
        "device": "camera",
        "source": "wire",
        "bus": "i2c-1",
        "address": 0x2E,
        "address_bits": 7,
        "first_good_ns": S,
        "last_good_ns": round(last_s * S) + 2 * MS,
        "first_bad_ns": round((last_s + 1) * S),
        "until_ns": round((last_s + 9) * S),
        "failed": True,
        "recovered": False,
        "how": "address-nack",
        "transactions_answered": 2,
        "polls_answered": 1,
        "transactions_unanswered": 1,
    }
    return habits_of(Episode(**(made | more)), tables, "monday", NAMES)


def hundred() -> Tables:
    return {"transactions": table("transactions", polls(range(1, 101)))}


def test_what_happens_is_counted_over_the_healthy_span() -> None:
    found = habits(hundred(), 100)
    assert (found.span_ns, found.rates["reads of 3 bytes"].n) == (99 * S + 2 * MS, 100)


def test_of_what_is_counted_it_is_kept_which_log_told_of_it() -> None:
    lines = [{"t_ns": k * S, "source": "log", "text": f"level {k}"} for k in range(1, 101)]
    rates = habits({**hundred(), "prints": table("prints", lines)}, 100).rates
    sources = {name: rates[name].sources for name in ("prints like level #", "transactions")}
    assert sources == {"prints like level #": {"log"}, "transactions": set()}


def test_what_is_even_is_no_clump() -> None:
    assert habits(hundred(), 100).rates["transactions"].clumps == 1


def test_what_comes_all_at_once_is_one() -> None:
    refused = [nack(50 * S + k * MS) for k in range(10, 42)]
    tables = {"transactions": table("transactions", [*polls(range(1, 101)), *refused])}
    assert habits(tables, 100).rates["address NACKs"].clumps == pytest.approx(32)


def test_waits_are_by_shape_before_and_during() -> None:
    waits = habits(hundred(), 100).waits
    assert {name: float(np.median(each)) / MS for name, each in waits.items()} == {
        "gap before writes of 1 byte, 10 first": 997.7,
        "length of writes of 1 byte, 10 first": 0.3,
        "gap before reads of 3 bytes": 1.7,
        "length of reads of 3 bytes": 0.3,
    }


def test_a_handful_of_waits_is_none() -> None:
    assert habits({"transactions": table("transactions", polls(range(1, 12)))}, 11).waits == {}


def test_of_very_many_waits_some_from_all_along_are_kept() -> None:
    tables = {"transactions": table("transactions", polls(range(1, 1001)))}
    assert {len(each) for each in habits(tables, 1000).waits.values()} == {250}
