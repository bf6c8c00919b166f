"""Simulated lives: a part that dies of a known cause while some thirty things are counted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from console.diagnosis.lifetimes.lives import Life

S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class World:
    """How lives are led. Rates in 1/s."""

    poll_hz: float = 1.0
    jitter: float = 0.003  # of the poll rate from life to life
    topics: int = 4
    sentences: int = 6

    def life(self, dice: np.random.Generator, age_s: float, factor: float, name: str) -> Life:
        """A life of an age, the poll rate multiplied by a factor; every count as it would be."""
        rate = self.poll_hz * factor * (1 + self.jitter * dice.uniform(-1, 1))
        return self.of_polls(dice, max(int(age_s * rate), 1), 1 / rate, name)

    def of_polls(self, dice: np.random.Generator, polls: int, period_s: float, name: str) -> Life:
        """A life of so many polls, one a period."""
        age_s = polls * period_s
        retries = int(dice.poisson(0.02 * polls))
        counts: dict[str, float] = {
            "polls": polls,
            "transactions": 2 * polls + retries,
            "reads": polls,
            "writes": polls + retries,
            "retries": retries,
            "address NACKs": int(dice.poisson(0.03 * age_s)),
            "data NACKs": int(dice.poisson(0.004 * age_s)),
            "bytes read": int(dice.normal(14 * polls, 4 * math.sqrt(polls))),
            "bytes written": 4 * polls + 4 * retries,
            "transactions of hopper": int(age_s / 5 * (1 + 1e-5 * dice.normal())),
            "happenings: opened on broker": int(dice.poisson(age_s / 400)),
        }
        counts["bytes"] = counts["bytes read"] + counts["bytes written"]
        counts["transactions on i2c-1"] = counts["transactions"] + counts["transactions of hopper"]
        for k in range(self.topics):
            mean = polls if k == 0 else age_s / (2.0 + 3 * k)
            counts[f"messages on topic/{k}"] = int(dice.poisson(mean)) if k > 1 else int(mean)
        for k in range(self.sentences):
            counts[f"prints like {k}"] = int(dice.poisson(age_s / (1 + 7 * k)))
        return Life(
            run=name,
            device="camera",
            zero="first seen",
            ended="failed",
            elapsed_ns=round(age_s * S),
            open_ns=round(period_s * S),
            counts=counts,
        )


def memoryless(
    dice: np.random.Generator, lives: int, mean_s: float, factors: Sequence[float], per_poll: bool
) -> list[Life]:
    """Lives that end at random in time, or at random at a poll."""
    world = World()
    found = []
    for k in range(lives):
        factor = factors[k % len(factors)]
        if per_poll:
            polls = int(dice.geometric(1 / mean_s))
            period = 1 / (world.poll_hz * factor * (1 + world.jitter * dice.uniform(-1, 1)))
            found.append(world.of_polls(dice, polls, period, f"run {k + 1}"))
        else:
            found.append(world.life(dice, dice.exponential(mean_s), factor, f"run {k + 1}"))
    return found


def after_polls(
    dice: np.random.Generator, polls: int, factors: Sequence[float], spread: float = 0.0
) -> list[Life]:
    """Lives that end after a count of polls."""
    world = World()
    found = []
    for k, factor in enumerate(factors):
        period = 1 / (world.poll_hz * factor * (1 + world.jitter * dice.uniform(-1, 1)))
        own = round(polls * (1 + spread * dice.uniform(-1, 1)))
        found.append(world.of_polls(dice, own, period, f"run {k + 1}"))
    return found


def after_time(
    dice: np.random.Generator, age_s: float, factors: Sequence[float], spread: float = 0.0
) -> list[Life]:
    """Lives that end after a time."""
    world = World()
    ages = [age_s * (1 + spread * dice.uniform(-1, 1)) for _ in factors]
    return [
        world.life(dice, age, factor, f"run {k + 1}")
        for k, (age, factor) in enumerate(zip(ages, factors, strict=True))
    ]


def unrelated(dice: np.random.Generator, lives: int, counts: int, mean: float) -> list[Life]:
    """Lives that end at random, their counts at random as well and of each other independent."""
    found = []
    for k in range(lives):
        drawn = 1 + dice.exponential(mean, counts + 1)
        own = {f"count {c}": float(int(drawn[c])) for c in range(counts)}
        found.append(
            Life(
                run=f"run {k + 1}",
                device="camera",
                zero="first seen",
                ended="failed",
                elapsed_ns=round(drawn[-1] * S),
                open_ns=S // 10,
                counts=own,
            )
        )
    return found


def at_rollover(
    dice: np.random.Generator, period_s: float, turns: Sequence[int], factors: Sequence[float]
) -> list[Life]:
    """Lives since boot that end at the first poll after a rollover of a tick."""
    world = World()
    found = []
    for turn, factor in zip(turns, factors, strict=True):
        age_s = turn * period_s + dice.uniform(0, 1 / (world.poll_hz * factor))
        found.append(replace(world.life(dice, age_s, factor, "run"), zero="boot"))
    return found


def after_nacks(dice: np.random.Generator, limit: int, lives: int) -> list[Life]:
    """A leak on the error path: lives of various lengths, each with so many data NACKs."""
    world = World()
    found = []
    for k in range(lives):
        own = world.life(dice, dice.uniform(2000, 9000), 1 + k % 2, f"run {k}")
        found.append(replace(own, counts={**own.counts, "data NACKs": float(limit)}))
    return found
