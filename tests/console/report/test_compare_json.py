"""A comparison as JSON."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np

from console.diagnosis.lifetimes.comparison import comparison
from console.diagnosis.lifetimes.lives import Life
from console.report.compare_json import compare_object
from console.report.export import one_line_json
from tests.console.diagnosis.lifetimes.worlds import S, after_polls, memoryless


def told(lives: list[Life]) -> dict[str, object]:
    found = comparison(lives)
    assert found is not None
    report: dict[str, object] = json.loads(
        one_line_json(compare_object(found, ["a", "b"])), parse_constant=_never
    )
    return report


def _never(constant: str) -> float:
    raise AssertionError(constant)  # NaN and Infinity are no JSON (RFC 8259)


def test_every_figure_is_json() -> None:
    made = np.random.default_rng(1)
    for lives in (after_polls(made, 900, (1, 1, 2)), memoryless(made, 5, 500, (1,), per_poll=True)):
        assert told(lives)["schema"] == 1


def test_an_open_end_is_null() -> None:
    report = told(after_polls(np.random.default_rng(1), 900, (1, 1, 2)))
    survival = report["kaplan_meier"]
    assert isinstance(survival, dict)
    assert (survival["share"][-1], survival["low"][-1]) == (0.0, None)


def test_the_verdict_is_told_in_kind_figures_and_words() -> None:
    verdict = told(after_polls(np.random.default_rng(1), 900, (1, 1, 2)))["verdict"]
    assert isinstance(verdict, dict)
    assert (verdict["kind"], verdict["of"], verdict["told"][0]["low"]) == ("count", "polls", 900)
    assert verdict["words"][0].startswith("It stops after a count: 900 polls")


def test_a_rollover_is_told_with_its_tick() -> None:
    turn = round(2**32 * 1e3)
    lives = [
        Life("a", "camera", "boot", "failed", turn + k, open_ns=S, counts={"polls": 4294.0})
        for k in (1, 2)
    ]
    verdict = told(lives)["verdict"]
    assert isinstance(verdict, dict)
    assert verdict["rollover"]["wrap"]["name"] == "2^32 microseconds"


def test_where_nothing_failed_there_is_no_clean_run_and_no_law() -> None:
    life = after_polls(np.random.default_rng(1), 900, (1,))[0]
    report = told([replace(life, ended="censored")])
    assert (report["clean_run"], report["weibull"]) == (None, None)
