"""Lives that end at rollovers, and lives that end near one by chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.lifetimes.rollover import ALPHA, near_rollover, rollover

S = 10**9
TURN_S = 2**32 / 1e6  # a 32-bit counter of microseconds


def life(uptime_s: float, **more: object) -> Life:
    """A life since boot, polled once a second."""
    made = Life("run", "camera", "boot", "failed", round(uptime_s * S))
    return replace(made, **{"open_ns": S, "counts": {"polls": uptime_s}, **more})  # type: ignore[arg-type]


def test_lives_that_end_at_one_rollover() -> None:
    found = rollover([life(TURN_S + 0.4), life(TURN_S + 0.9), life(TURN_S - 0.3)])
    assert found is not None
    assert (found.wrap.name, found.same_one, found.last_turn) == ("2^32 microseconds", True, 1)


def test_lives_that_end_at_different_rollovers_of_one_tick() -> None:
    found = rollover([life(TURN_S + 0.4), life(3 * TURN_S + 0.9), life(2 * TURN_S)])
    assert found is not None
    assert (found.wrap.name, found.same_one, found.last_turn) == ("2^32 microseconds", False, 3)


def test_one_life_away_from_the_rollover_refutes_it() -> None:
    assert rollover([life(TURN_S + 0.4), life(TURN_S + 0.9), life(TURN_S + 60)]) is None


def test_without_a_boot_the_uptime_is_not_known() -> None:
    lives = [life(TURN_S + d, zero="first seen") for d in (0.4, 0.9)]
    assert rollover(lives) is None


def test_the_boards_own_clock_tells_a_rollover_without_a_boot() -> None:
    ticks = [{"us": 2**32 + 300_000}, {"us": 2**32 + 800_000}]
    lives = [life(1000 + k, zero="first seen", ticks=own) for k, own in enumerate(ticks)]
    found = rollover(lives)
    assert found is not None
    assert found.wrap.name == "2^32 microseconds"


def test_a_slow_poll_cannot_tell_a_fast_tick() -> None:
    lives = [life(65.536 * k, open_ns=20 * S, counts={"polls": 3.0 * k}) for k in (1, 2, 3)]
    assert rollover(lives) is None


def test_one_life_near_a_rollover_is_a_hint() -> None:
    found = near_rollover(life(TURN_S + 0.4))
    assert found is not None
    assert found.wrap.name == "2^32 microseconds"


def test_one_life_far_from_any_is_none() -> None:
    assert near_rollover(life(3000)) is None


@pytest.mark.parametrize("lives", [2, 3])
@pytest.mark.parametrize("mean_s", [200.0, 4000.0, 60_000.0])
def test_memoryless_lives_are_seldom_called_so(lives: int, mean_s: float) -> None:
    dice = np.random.default_rng(3)
    ages = dice.exponential(mean_s, (4000, lives)) + 1
    called = sum(rollover([life(float(age)) for age in row]) is not None for row in ages)
    assert called / 4000 <= ALPHA


def test_a_tick_preset_to_shortly_before_its_rollover_makes_no_rollover() -> None:
    lives = [
        life(20 + k, zero="first seen", ticks={"us": 2**32 + k * 400_000}, exposed_ns=20 * S)
        for k in (0, 1)
    ]
    assert rollover(lives) is None


def test_many_that_end_at_a_preset_rollover_are_told() -> None:
    lives = [
        life(2000, zero="first seen", ticks={"us": 2**32 + k * 100_000}, exposed_ns=2000 * S)
        for k in range(3)
    ]
    assert rollover(lives) is not None
