from __future__ import annotations

import json

import numpy as np
import polars as pl
import pytest

from console.app.numbers_shown import NumberSource
from console.bench.load import load_bench
from tests.console.app.motor import motor_tables
from tests.console.timeline.number_tables import messages, packets, packets_described

RULE = """
[[rule]]
kind = "limits"
name = "heap is left"
table = "messages"
field = "fields.heap"
min = 8000
"""


def source(tables: dict[str, pl.DataFrame], rules: str = "") -> NumberSource:
    return NumberSource(tables, load_bench(rules, "bench.toml").rules, packets_described())


def test_a_set_point_and_what_follows_it_are_shown_first() -> None:
    found = source(motor_tables()).numbered()
    assert [field.name for field in found.first] == ["target_rpm", "speed_rpm"]
    assert [(p.target.name, p.measured.name) for p in found.pairs] == [("target_rpm", "speed_rpm")]


def test_else_what_has_limits_is_shown_first_one_of_each_subject() -> None:
    rows = [json.dumps({"n": k, "heap": 41_000 - k}, separators=(",", ":")) for k in range(9)]
    blocks = ['{"state":{"turns":%d},"blocks":[{"x":%d}]}' % (k, k) for k in range(9)]  # noqa: UP031
    found = source({"messages": messages(rows), "packets": packets(blocks)}, RULE).numbered()
    assert [field.path for field in found.first] == ["fields.heap", "fields.state.turns"]


def test_numbers_that_never_change_are_not_shown_first() -> None:
    assert source({"messages": messages(['{"n":1}'] * 5)}).numbered().first == ()


def test_chosen_fields_are_read_with_limits_and_steps() -> None:
    numbers = source(motor_tables(), RULE)
    found = numbers.numbered()
    [heap] = [field for field in found.fields if field.name == "heap"]
    shown = numbers.shown((*found.first, heap), found.pairs[0])
    assert [(s.number, s.holds, len(s.limits)) for s in shown.series] == [
        (1, True, 0),
        (2, False, 0),
        (3, False, 1),
    ]
    assert [step.target for step in shown.steps] == [1500.0, 900.0, 2200.0]


# Common practice for the speed loop of a small motor: settled 0.2 to 0.3 s after a step.
def test_steps_of_the_motor_settle_in_the_usual_time() -> None:
    numbers = source(motor_tables())
    found = numbers.numbered()
    settled = [step.settling_ns for step in numbers.shown(found.first, found.pairs[0]).steps]
    assert settled == [pytest.approx(0.25e9, abs=0.06e9)] * 3


def test_series_that_were_read_before_are_kept() -> None:
    numbers = source(motor_tables())
    found = numbers.numbered()
    first = numbers.shown(found.first, found.pairs[0])
    again = numbers.shown(found.first, found.pairs[0], first.series)
    assert [a is b for a, b in zip(first.series, again.series, strict=True)] == [True, True]
    apart = numbers.shown(found.first[::-1], None, first.series)
    np.testing.assert_array_equal(apart.series[1].series.values, first.series[0].series.values)
    assert [(s.number, s.holds) for s in apart.series] == [(1, False), (2, False)]
