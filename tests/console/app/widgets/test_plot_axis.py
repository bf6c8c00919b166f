from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.app.widgets.plot_axis import (
    round_step,
    time_step,
    time_ticks,
    value_axis,
    value_words,
)

S = 1_000_000_000
NUMBERS = st.floats(-1e12, 1e12, allow_nan=False)


@given(NUMBERS, NUMBERS, st.integers(1, 60))
def test_an_axis_holds_its_values_in_round_steps(a: float, b: float, rows: int) -> None:
    low, high = min(a, b), max(a, b)
    axis = value_axis(low, high, "", rows)
    slack = 1e-6 * max(abs(low), abs(high), axis.step)
    assert axis.low <= low + slack
    assert axis.high >= high - slack
    assert axis.low < axis.high
    assert len(axis.ticks()) <= rows + 3


@pytest.mark.parametrize(
    ("low", "high", "rows", "labels"),
    [
        (0.0, 1.0, 5, ["0", "0.5", "1"]),
        (17.0, 89.2, 8, ["0", "50", "100"]),
        (5.0, 5.0, 3, ["4", "5", "6"]),
        (0.0, 0.0, 3, ["-2", "0", "2"]),
        (-0.2, 0.1, 7, ["-0.2", "-0.1", "0", "0.1"]),
    ],
)
def test_labels_are_round_numbers(low: float, high: float, rows: int, labels: list[str]) -> None:
    axis = value_axis(low, high, "", rows)
    assert [axis.label(tick) for tick in axis.ticks()] == labels


def test_nanoseconds_are_labelled_in_the_unit_a_person_would_say() -> None:
    axis = value_axis(1_210_000.0, 1_480_000.0, "ns", 7)
    assert (axis.unit, [axis.label(t) for t in axis.ticks()]) == (
        "ms",
        ["1.2", "1.3", "1.4", "1.5"],
    )


@pytest.mark.parametrize(("least", "step"), [(0.3, 0.5), (1, 1), (1.01, 2), (7, 10), (3e-9, 5e-9)])
def test_steps_are_one_two_or_five(least: float, step: float) -> None:
    assert math.isclose(round_step(least), step)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (89.2, "cm", "89.2 cm"),
        (1_250_000, "ns", "1.25 ms"),
        (7, "", "7"),
        (123456789, "", "123456789"),
    ],
)
def test_values_are_said_in_full(value: float, unit: str, words: str) -> None:
    assert value_words(value, unit) == words


@pytest.mark.parametrize(
    ("span_ns", "most", "step_ns"),
    [
        (100, 5, 20),
        (S, 10, S // 10),
        (7 * S, 4, 2 * S),
        (2_100 * S, 8, 300 * S),
        (400 * 3600 * S, 2, 216 * 3600 * S),
    ],
)
def test_times_are_divided_in_round_steps(span_ns: int, most: int, step_ns: int) -> None:
    assert time_step(span_ns, most) == step_ns


def test_times_count_from_the_start_of_the_run_and_have_room() -> None:
    assert time_ticks(95 * S, 131 * S, 5 * S, 40) == [
        (95 * S, "01:30"),
        (105 * S, "01:40"),
        (115 * S, "01:50"),
        (125 * S, "02:00"),
    ]


def test_times_a_few_nanoseconds_apart_are_told_apart() -> None:
    words = [text for _, text in time_ticks(S, S + 200, 0, 60)]
    assert len(set(words)) == len(words) >= 2


def test_a_plot_too_narrow_for_times_has_one_at_most() -> None:
    assert len(time_ticks(0, S, 0, 3)) <= 1
