"""How long must be clean: the rule's figures, its coverage, and what each verdict asks for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from console.diagnosis.lifetimes.clean_run import beyond, clean_run, clean_time, means_needed
from console.diagnosis.lifetimes.count_or_clock import verdict
from console.diagnosis.lifetimes.lives import Life
from tests.console.diagnosis.lifetimes.worlds import S, after_polls, after_time, memoryless


@pytest.mark.parametrize(("failures", "means"), [(1, 19.0), (3, 5.14), (5, 4.10), (10, 3.49)])
def test_means_needed_after_so_many_failures(failures: int, means: float) -> None:
    assert means_needed(failures) == pytest.approx(means, abs=0.01)


def test_many_failures_need_what_a_known_mean_does() -> None:
    assert means_needed(100_000) == pytest.approx(-np.log(0.05), abs=1e-3)


def test_no_failure_gives_no_rule() -> None:
    with pytest.raises(ValueError, match="0 failures"):
        means_needed(0)


@pytest.mark.parametrize("failures", [1, 2, 3, 5, 10])
def test_a_part_that_was_not_mended_runs_clean_so_long_once_in_twenty(failures: int) -> None:
    dice = np.random.default_rng(failures)
    past = dice.exponential(300.0, (100_000, failures)).sum(1)
    needed = np.array([clean_time(failures, float(total)) for total in past])
    fooled = float((dice.exponential(300.0, 100_000) > needed).mean())
    assert fooled == pytest.approx(0.05, abs=0.003)


def test_lives_that_had_not_ended_count_as_time() -> None:
    assert clean_time(2, 500.0) == pytest.approx(means_needed(2) * 250)


def test_a_count_must_be_passed_by_a_tenth_or_by_its_spread() -> None:
    assert (beyond(2000, 2000), beyond(2000, 2400)) == pytest.approx((2200, 2800))


def test_after_a_count_the_count_must_be_passed() -> None:
    lives = after_polls(np.random.default_rng(1), 2000, (1, 1, 2))
    needed = clean_run(verdict(lives), lives)
    assert needed is not None
    assert (needed.of, round(needed.count), needed.ns) == ("polls", 2200, 0)


def test_after_a_time_the_time_must_be_passed() -> None:
    lives = after_time(np.random.default_rng(1), 2000, (1, 1, 2))
    needed = clean_run(verdict(lives), lives)
    assert needed is not None
    assert [needed.count, needed.ns] == pytest.approx([0, 2200 * S], rel=2e-3)


def test_where_count_and_time_are_not_told_apart_both_must_be_passed() -> None:
    lives = after_polls(np.random.default_rng(1), 2000, (1, 1), spread=0.002)
    needed = clean_run(verdict(lives), lives)
    assert needed is not None
    assert needed.count == pytest.approx(2200, rel=0.01)
    assert needed.ns == pytest.approx(2200 * S, rel=0.01)


def test_after_a_rollover_it_must_be_passed() -> None:
    turn = round(2**32 * 1e3)
    lives = [
        Life(
            f"run {k}",
            "camera",
            "boot",
            "failed",
            turn + k * S // 3,
            open_ns=S,
            counts={"polls": 4294.0 * k},
        )
        for k in (1, 2, 3)
    ]
    needed = clean_run(verdict(lives), lives)
    assert needed is not None
    assert [needed.count, needed.ns] == pytest.approx([0, 1.1 * turn])


def test_where_one_went_on_beyond_unmended_no_run_up_to_there_proves_a_mend() -> None:
    dice = np.random.default_rng(1)
    beyond_it = replace(after_polls(dice, 5000, (1,))[0], run="run 9", ended="censored")
    lives = [*after_polls(dice, 2000, (1, 1, 2)), beyond_it]
    assert (verdict(lives).why, clean_run(verdict(lives), lives)) == ("survived", None)


def test_chance_asks_for_its_means() -> None:
    lives = memoryless(np.random.default_rng(5), 6, 2000, (1,), per_poll=False)
    needed = clean_run(verdict(lives), lives)
    assert needed is not None
    mean_ns = sum(life.elapsed_ns for life in lives) / 6
    assert needed.by_chance
    assert needed.ns == pytest.approx(means_needed(6) * mean_ns)


def test_where_nothing_failed_there_is_nothing_to_mend() -> None:
    life = Life("run 1", "camera", "boot", "censored", 5 * S)
    assert clean_run(verdict([life]), [life]) is None
