"""The verdict on simulated lives whose cause of death is known, and on lives that died by chance.

Some thirty things are counted in each life (`worlds.py`), most of them in some proportion to polls
or time. `tests/benchmarks/count_or_clock.py` does the same at length.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from console.diagnosis.lifetimes.count_or_clock import comparable, verdict
from console.diagnosis.lifetimes.lives import Life
from tests.console.diagnosis.lifetimes.worlds import (
    S,
    World,
    after_nacks,
    after_polls,
    after_time,
    at_rollover,
    memoryless,
    unrelated,
)

CLAIMS = {"count", "quantity", "time", "rollover", "confounded"}
ONE_DOUBLED = (1, 1, 2)
TURN_S = 2**32 / 1e6  # of a 32-bit counter of microseconds


def dice(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


@pytest.mark.parametrize(
    ("lives", "factors"), [(2, (1,)), (2, (1, 2)), (3, (1, 2)), (4, (1,)), (6, (1, 2))]
)
def test_lives_that_ended_by_chance_are_seldom_called_otherwise(
    lives: int, factors: tuple[int, ...]
) -> None:
    made, means = dice(lives), (300, 2000, 20_000)
    found = [
        verdict(memoryless(made, lives, means[k % 3], factors, per_poll=k % 2 == 0))
        for k in range(120)
    ]
    assert sum(each.kind in CLAIMS for each in found) / 120 <= 0.05


@pytest.mark.parametrize("cut_off_s", [800.0, 2500.0])
def test_nor_are_they_where_the_observation_ended_before_some_did(cut_off_s: float) -> None:
    made, claims = dice(9), 0
    for _ in range(100):
        lives = []
        for k in range(6):
            age_s = made.exponential(2000.0)
            own = World().life(made, min(age_s, cut_off_s), 1 + k % 2, f"run {k}")
            lives.append(replace(own, ended="failed" if age_s <= cut_off_s else "censored"))
        claims += verdict(lives).kind in CLAIMS
    assert claims / 100 <= 0.05


@pytest.mark.parametrize("spread", [0.0, 0.01])
def test_a_count_is_told_from_three_lives_and_one_doubled_rate(spread: float) -> None:
    made = dice()
    found = [verdict(after_polls(made, 2047, ONE_DOUBLED, spread)) for _ in range(60)]
    assert sum((each.kind, each.of) == ("count", "polls") for each in found) >= 57


@pytest.mark.parametrize("spread", [0.0, 0.01])
def test_a_time_is_told_from_three_lives_and_one_doubled_rate(spread: float) -> None:
    made = dice()
    found = [verdict(after_time(made, 2047, ONE_DOUBLED, spread)) for _ in range(60)]
    assert sum(each.kind == "time" for each in found) >= 57


def since_boot(lives: list[Life]) -> list[Life]:
    return [replace(life, zero="boot") for life in lives]


def test_a_rollover_is_told_from_three_lives_and_one_doubled_rate() -> None:
    made = dice()
    found = [verdict(at_rollover(made, TURN_S, (1, 1, 1), ONE_DOUBLED)) for _ in range(60)]
    assert sum(each.kind == "rollover" for each in found) >= 57


def test_it_is_told_too_when_it_takes_several_turns() -> None:
    made = dice()
    found = [verdict(at_rollover(made, TURN_S, (1, 3, 2), (1, 1, 1))) for _ in range(20)]
    assert {each.kind for each in found} == {"rollover"}


def test_a_long_wait_between_boot_and_first_poll_is_no_time() -> None:
    made, claims, wait_s = dice(4), 0, 5000.0
    for _ in range(100):
        lives = []
        for own in memoryless(made, 3, 100.0, (1, 2), per_poll=False):
            elapsed_ns = own.elapsed_ns + round(wait_s * S)
            prints = wait_s + own.elapsed_ns / S
            lives.append(
                replace(
                    own,
                    zero="boot",
                    elapsed_ns=elapsed_ns,
                    exposed_ns=own.elapsed_ns,
                    counts={**own.counts, "prints on controller": float(int(prints))},
                )
            )
        claims += verdict(lives).kind in CLAIMS
    assert claims <= 5


@pytest.mark.parametrize("lives", [2, 3])
def test_thirty_counts_that_have_nothing_in_common_seldom_agree(lives: int) -> None:
    made = dice()
    found = [verdict(unrelated(made, lives, 30, 800.0)) for _ in range(100)]
    assert sum(each.kind in CLAIMS for each in found) <= 5


def test_a_rollover_at_a_steady_rate_is_no_confusion_of_count_and_time() -> None:
    lives = since_boot(after_time(dice(), TURN_S + 0.2, (1, 1, 1)))
    assert verdict(lives).kind == "rollover"


def test_a_count_of_something_rare_is_told_among_all_others() -> None:
    found = [verdict(after_nacks(dice(seed), 250, 3)) for seed in range(40)]
    assert Counter((each.kind, each.of) for each in found) == {("count", "data NACKs"): 40}


def test_a_total_of_bytes_is_told_where_polls_differ_in_length() -> None:
    made, lives = dice(), []
    for k, polls in enumerate((1500, 1900, 3100)):
        own = World().of_polls(made, polls, 1.0, f"run {k}")
        lives.append(replace(own, counts={**own.counts, "bytes read": 65_530 + k}))
    found = verdict(lives)
    assert (found.kind, found.of) == ("quantity", "bytes read")


def test_a_steady_rate_confounds_count_and_time() -> None:
    found = verdict(after_polls(dice(), 2047, (1, 1, 1), spread=0.004))
    assert (found.kind, [each.name for each in found.told]) == ("confounded", ["polls", "time"])


def test_a_few_polls_each_time_are_no_time_however_well_that_agrees() -> None:
    lives = [bare_life(15, 1.43 + k * 1e-4) for k in range(3)]
    found = verdict(lives)
    assert (found.kind, [each.name for each in found.told]) == ("confounded", ["polls", "time"])


def bare_life(polls: int, age_s: float) -> Life:
    counts = {"polls": float(polls)}
    return Life("run", "camera", "first seen", "failed", round(age_s * S), counts=counts)


def test_at_a_steady_rate_the_wrong_one_is_never_told() -> None:
    made = dice()
    counts = Counter(verdict(after_polls(made, 2047, (1, 1, 1))).kind for _ in range(60))
    times = Counter(verdict(after_time(made, 2047, (1, 1, 1))).kind for _ in range(60))
    assert counts["count"] + counts["confounded"] == 60
    assert times["time"] + times["confounded"] == 60


def test_many_lives_by_chance_are_called_so() -> None:
    made = dice()
    kinds = Counter(
        verdict(memoryless(made, 12, 2000, (1, 2), per_poll=False)).kind for _ in range(60)
    )
    assert kinds["random"] >= 48


def test_a_part_that_wears_out_is_not_called_chance() -> None:
    made = dice()
    lives = [World().life(made, 2000 * made.weibull(5.0), 1 + k % 2, f"run {k}") for k in range(14)]
    found = verdict(lives)
    assert (found.kind, found.why) == ("cannot say", "wears out")


def test_one_failure_is_a_hint_at_most() -> None:
    found = verdict(after_polls(dice(), 2047, (1,)))
    assert (found.kind, found.why, found.near) == (
        "cannot say", "one failure", "one less than 2^11 = 2,048",
    )  # fmt: skip


def test_two_short_lives_that_agree_are_too_few() -> None:
    lives = [World().of_polls(dice(seed), 20, 1.0, f"run {seed}") for seed in (1, 2)]
    found = verdict(lives)
    assert (found.kind, found.why) == ("cannot say", "too few")


def test_nothing_counted_leaves_count_and_time_open() -> None:
    lives = [replace(life, counts={}) for life in after_time(dice(), 2000, (1, 1, 1))]
    found = verdict(lives)
    assert (found.kind, found.why) == ("cannot say", "nothing counted")


def mended(polls: int, factor: float = 1) -> Life:
    own = World().of_polls(dice(3), polls, 1 / factor, "mended")
    return replace(own, ended="censored", open_ns=0)


def test_a_life_that_went_on_beyond_leaves_the_verdict_open() -> None:
    found = verdict([*after_polls(dice(), 2047, ONE_DOUBLED), mended(3000)])
    assert (found.kind, found.why, found.survivors) == ("cannot say", "survived", ("mended",))


def test_a_life_that_went_on_beyond_the_time_alone_leaves_the_count() -> None:
    lives = [*after_polls(dice(), 2047, (1, 1, 1), spread=0.004), mended(1500, factor=0.5)]
    found = verdict(lives)
    assert (found.kind, found.of) == ("count", "polls")


def test_lives_from_another_kind_of_beginning_are_left_out() -> None:
    usual = after_polls(dice(), 2047, ONE_DOUBLED)
    other = replace(after_polls(dice(2), 300, (1,))[0], zero="answered again")
    found = verdict([*usual, other])
    assert (found.kind, found.failures, found.left_out) == ("count", 3, 1)
    assert comparable([*usual, other]) == usual


def test_a_boot_and_power_put_on_are_one_kind_of_beginning() -> None:
    lives = since_boot(after_polls(dice(), 2047, ONE_DOUBLED))
    lives[0] = replace(lives[0], zero="power")
    assert verdict(lives).left_out == 0


def test_without_lives_nothing_is_said() -> None:
    found = verdict([])
    assert (found.kind, found.why, found.failures) == ("cannot say", "no failure", 0)


def test_what_kept_pace_is_told_beside_it() -> None:
    found = verdict(after_time(dice(), 2047, ONE_DOUBLED))
    assert "transactions of hopper" in found.alike


def test_the_order_of_lives_changes_nothing() -> None:
    lives = after_polls(dice(), 2047, ONE_DOUBLED)
    there, back = verdict(lives), verdict(lives[::-1])
    assert (there.kind, there.of, there.p_chance) == (back.kind, back.of, back.p_chance)


def test_lengths_are_those_of_the_lives() -> None:
    found = verdict(after_time(dice(), 2047, ONE_DOUBLED))
    assert found.told[0].low / S == pytest.approx(2047, rel=1e-3)
