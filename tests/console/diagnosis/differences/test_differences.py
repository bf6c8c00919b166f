"""What differs between two runs, and what only seems to."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import mannwhitneyu

from console.diagnosis.differences.differences import Difference, differences, mann_whitney
from console.diagnosis.differences.habits import Floats, Habits, Rate

S = 10**9
HOUR_NS = 3600 * S


def run(
    rates: dict[str, float] | None = None,
    waits: dict[str, Floats] | None = None,
    *,
    span_ns: int = HOUR_NS,
    clumps: float = 1.0,
) -> Habits:
    made = {name: Rate(n, clumps) for name, n in (rates or {}).items()}
    return Habits("run", "camera", span_ns, made, waits or {})


def found(a: Habits, b: Habits) -> list[tuple[str, str]]:
    return [(each.what, each.name) for each in differences(a, b)]


def test_traffic_that_only_one_run_has_is_told() -> None:
    a, b = run({"polls": 900, "reads of 13 bytes": 40}), run({"polls": 900, "writes 55.. of 2": 40})
    assert found(a, b) == [("missing", "reads of 13 bytes"), ("new", "writes 55.. of 2")]


def test_a_rate_is_told_with_its_exact_interval() -> None:
    (one,) = differences(run({"retries": 50}), run({"retries": 150}))
    assert one.interval is not None
    assert (one.first, one.other, one.ratio) == pytest.approx((50, 150, 3))
    # Clopper and Pearson for 150 of 200, as a ratio of the two
    assert one.interval == pytest.approx((0.684155 / 0.315845, 0.808337 / 0.191663), rel=1e-3)


def test_a_run_of_another_length_is_no_difference() -> None:
    assert found(run({"polls": 900}), run({"polls": 300}, span_ns=HOUR_NS // 3)) == []


def test_a_rate_a_little_higher_does_not_matter_however_sure_it_is() -> None:
    assert found(run({"polls": 1_000_000}), run({"polls": 1_050_000})) == []


def test_few_events_prove_nothing() -> None:
    assert found(run({"resets": 1}), run({"resets": 4})) == []


def test_events_in_clumps_prove_less() -> None:
    a, b = run({"NACKs": 50}, clumps=20), run({"NACKs": 150}, clumps=20)
    assert found(a, b) == []


def jittered(dice: np.random.Generator, middle: float, n: int = 200) -> Floats:
    return middle * (1 + 0.05 * dice.standard_normal(n))


def test_a_gap_a_tenth_longer_is_found() -> None:
    dice = np.random.default_rng(1)
    told = [
        differences(run({}, {"gap": jittered(dice, 1e6)}), run({}, {"gap": jittered(dice, 1.1e6)}))
        for _ in range(100)
    ]
    assert all(len(each) == 1 and each[0].ratio == pytest.approx(1.1, rel=0.03) for each in told)


def test_runs_of_one_process_seldom_differ() -> None:
    dice = np.random.default_rng(2)

    def drawn() -> Habits:
        rates = {f"thing {k}": float(dice.poisson(10 * (k + 1))) for k in range(30)}
        waits = {f"gap {k}": jittered(dice, 1e6 * (k + 1)) for k in range(6)}
        return run(rates, waits)

    assert sum(bool(differences(drawn(), drawn())) for _ in range(200)) <= 10


def wandering(dice: np.random.Generator, n: int = 250, kept: float = 0.98) -> Floats:
    """A pace of 100 ms that wanders by 4 %, some fifty waits to and fro."""
    away = dice.standard_normal(n)
    for k in range(1, n):
        away[k] = kept * away[k - 1] + (1 - kept**2) ** 0.5 * away[k]
    return 1e8 * (1 + 0.04 * away)


def test_a_pace_that_wanders_is_no_other_pace() -> None:
    dice = np.random.default_rng(4)
    told = [
        differences(run({}, {"gap": wandering(dice)}), run({}, {"gap": wandering(dice)}))
        for _ in range(200)
    ]
    assert sum(map(bool, told)) <= 10


def test_a_pace_that_wanders_a_little_and_is_a_tenth_slower_is_told() -> None:
    dice = np.random.default_rng(5)
    told = [
        differences(
            run({}, {"gap": wandering(dice, kept=0.6)}),
            run({}, {"gap": 1.1 * wandering(dice, kept=0.6)}),
        )
        for _ in range(50)
    ]
    assert all(told)


def heard(source: str, watched: dict[str, str], name: str = "prints like level #") -> Habits:
    """A run in which a log said something five hundred times."""
    rates = {name: Rate(500, 1.0, frozenset({source}))}
    return Habits("run", "camera", HOUR_NS, rates, {}, watched)


def silent(watched: dict[str, str]) -> Habits:
    return Habits("run", "camera", HOUR_NS, {}, {}, watched)


@pytest.mark.parametrize(
    ("watched", "told"),
    [
        ({"log": "prints"}, [("missing", "prints like level #")]),
        ({"tuesday.log": "prints"}, [("missing", "prints like level #")]),
        ({}, []),
        ({"broker": "messages"}, []),
        ({"pump.log": "prints", "hopper.log": "prints"}, []),
    ],
)
def test_what_a_log_said_is_missing_only_where_that_log_was_watched(
    watched: dict[str, str], told: list[tuple[str, str]]
) -> None:
    assert found(heard("log", {"log": "prints"}), silent(watched)) == told


def test_what_a_log_said_is_new_only_where_that_log_was_watched() -> None:
    assert found(silent({}), heard("log", {"log": "prints"})) == []


def test_a_log_that_was_watched_in_part_is_no_measure() -> None:
    assert found(heard("log", {}), silent({"log": "prints"})) == []


def test_a_log_of_another_name_is_not_missing_by_its_name() -> None:
    first = heard("monday.log", {"monday.log": "prints"}, "prints on monday.log")
    assert found(first, silent({"tuesday.log": "prints"})) == []


def test_a_change_too_small_to_matter_is_not_told() -> None:
    steady = np.linspace(1e6, 1.0001e6, 200)
    assert found(run({}, {"gap": steady}), run({}, {"gap": steady * 1.005})) == []


def test_the_most_telling_comes_first() -> None:
    dice = np.random.default_rng(3)
    a = run({"retries": 50, "old": 40}, {"gap": jittered(dice, 1e6)})
    b = run({"retries": 150}, {"gap": jittered(dice, 1.5e6)})
    assert [what for what, _ in found(a, b)] == ["missing", "wait", "rate"]


def test_what_is_new_has_no_finite_ratio() -> None:
    (one,) = differences(run({}), run({"writes": 40}))
    assert isinstance(one, Difference)
    assert (one.first, one.ratio) == (0, math.inf)


@pytest.mark.parametrize("seed", range(4))
def test_u_and_its_p_are_those_of_scipy(seed: int) -> None:
    dice = np.random.default_rng(seed)
    a = dice.integers(0, 40, 30).astype(float)
    b = dice.integers(5 * (seed % 2), 45, 25).astype(float)
    other = mannwhitneyu(b, a, method="asymptotic", use_continuity=True)
    assert mann_whitney(a, b) == pytest.approx((other.statistic / (30 * 25), other.pvalue))


def test_equal_waits_cannot_differ() -> None:
    assert mann_whitney(np.full(20, 5.0), np.full(30, 5.0)) == (0.5, 1.0)
