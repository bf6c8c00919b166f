"""The table of steps, on a motor under a PI loop."""

from __future__ import annotations

import json

import polars as pl
import pytest

from console.timeline.numbers.step_tables import SCHEMA, steps_frame
from tests.console.app.motor import EVERY_NS, STEPS, motor_tables
from tests.console.timeline.number_tables import table

GAINS = table(
    "messages",
    [{"t_ns": 0, "source": "bus", "topic": "winder/gains", "fields": '{"kp": 1.7, "ki": 19.0}'}],
)


def steps(settled_share: float = 0.02) -> pl.DataFrame:
    tables = motor_tables()
    tables["messages"] = pl.concat([GAINS, tables["messages"]])
    return steps_frame(tables, settled_share=settled_share)


def test_each_change_of_the_set_point_is_a_row() -> None:
    found = steps()
    assert found["at_ns"].to_list() == [row * EVERY_NS for row, _ in STEPS]
    assert found["target"].to_list() == [value for _, value in STEPS]
    assert dict(found.schema) == dict(SCHEMA)


def test_a_speed_loop_settles_in_two_or_three_tenths_of_a_second() -> None:
    # Common practice for such loops, without a source: 0.2 to 0.3 s.
    assert all(0.1e9 < ns < 0.4e9 for ns in steps(0.05)["settling_ns"].to_list())


def test_a_wider_band_is_entered_sooner() -> None:
    narrow, wide = steps(0.02)["settling_ns"].to_list(), steps(0.1)["settling_ns"].to_list()
    assert all(w < n for n, w in zip(narrow, wide, strict=True))
    assert steps(0.1)["settled_percent"].to_list() == pytest.approx([10.0] * 3)


def test_the_gains_in_force_are_told() -> None:
    assert [json.loads(text) for text in steps()["gains"]] == [{"kp": 1.7, "ki": 19.0}] * 3


def test_a_run_without_set_points_has_no_steps() -> None:
    assert steps_frame({"messages": GAINS}).height == 0
