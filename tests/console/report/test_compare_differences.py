"""Differences between runs in words and as JSON."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from console.diagnosis.differences.differences import Difference
from console.diagnosis.differences.habits import Habits, Rate
from console.report.compare_differences import (
    difference_lines,
    difference_words,
    differences_object,
)
from console.report.export import one_line_json

HOUR_NS = 3600 * 10**9


def run(name: str, **counts: float) -> Habits:
    rates = {each: Rate(n, 1.0) for each, n in counts.items()}
    return Habits(name, "camera", HOUR_NS, rates, {"gap before reads": np.full(30, 1e6)})


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (
            Difference("wait", "gap before reads", 1e6, 1.1e6, 1.1),
            "gap before reads: 1.1 ms, was 1 ms (x1.1)",
        ),
        (
            Difference("new", "writes 55..", 0, 40, math.inf, (3, math.inf)),
            "only here: writes 55.., 40 an hour",
        ),
        (
            Difference("missing", "writes 55..", 4000, 0, 0, (0, 0.1)),
            "not here: writes 55.., was 4,000 an hour",
        ),
        (
            Difference("rate", "retries", 50, 150, 3, (2.1, 4.25)),
            "retries: 150 an hour, was 50 an hour (x3, 95 % 2.1 to 4.25)",
        ),
    ],
)
def test_a_difference_is_one_line(found: Difference, said: str) -> None:
    assert difference_words(found) == said


def test_each_run_stands_beside_the_first() -> None:
    runs = [run("monday", polls=900), run("tuesday", polls=905), run("wednesday", polls=1800)]
    assert list(difference_lines(runs)) == [
        "tuesday beside monday, while it was healthy: no difference",
        "wednesday beside monday, while it was healthy:",
        "  polls: 1,800 an hour, was 900 an hour (x2, 95 % 1.82 to 2.19)",
    ]


def test_one_run_stands_beside_none() -> None:
    assert list(difference_lines([run("monday", polls=900)])) == []


def test_very_many_are_counted() -> None:
    other = run("tuesday", **{f"thing {k:02}": 50.0 for k in range(12)})
    assert list(difference_lines([run("monday"), other]))[-1] == "  and 4 more: --json has them"


def test_names_from_outside_are_cleaned() -> None:
    other = run("tues\x1bday", **{"messages on \x1b[2J": 50.0})
    assert "\x1b" not in "".join(difference_lines([run("monday"), other]))


def test_json_has_no_infinity() -> None:
    (told,) = differences_object([run("monday"), run("tuesday", writes=50.0)])
    assert (told["run"], told["beside"]) == ("tuesday", "monday")
    (found,) = json.loads(one_line_json(told["found"]))
    assert (found["what"], found["ratio"], found["interval"][1]) == ("new", None, None)
