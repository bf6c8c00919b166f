"""Count or clock: how often the verdict is wrong on chance, and right on what it should find.

Run as `python -m tests.benchmarks.count_or_clock`, with a number of trials if not 1000. Some thirty
things are counted in each life, most of them in some proportion to polls or time
(`tests/console/diagnosis/lifetimes/worlds.py`).
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from console.diagnosis.lifetimes.clean_run import clean_time
from console.diagnosis.lifetimes.count_or_clock import verdict
from console.diagnosis.lifetimes.lives import Life
from tests.benchmarks.measure import table
from tests.console.diagnosis.lifetimes.worlds import (
    World,
    after_nacks,
    after_polls,
    after_time,
    at_rollover,
    memoryless,
    unrelated,
)

TRIALS = 1000
MEANS_S = (300.0, 2000.0, 20_000.0)
KINDS = ("count", "quantity", "time", "rollover", "confounded", "random", "cannot say")
CLAIMS = ("count", "quantity", "time", "rollover")
ONE_DOUBLED = (1, 1, 2)
TURN_S = 2**32 / 1e6

Draw = Callable[[np.random.Generator, int], list[Life]]


def by_chance(lives: int, factors: Sequence[float]) -> Draw:
    """Memoryless lives of three means, by time and by poll, half of them since boot."""

    def draw(dice: np.random.Generator, k: int) -> list[Life]:
        found = memoryless(dice, lives, MEANS_S[k % 3], factors, per_poll=k % 2 == 0)
        return [replace(life, zero="boot") for life in found] if k % 4 < 2 else found

    return draw


def cut_off(share: float) -> Draw:
    """Six memoryless lives, observed for a share of their mean."""

    def draw(dice: np.random.Generator, _k: int) -> list[Life]:
        found = []
        for n in range(6):
            age_s = dice.exponential(2000.0)
            own = World().life(dice, min(age_s, share * 2000), 1 + n % 2, f"run {n}")
            found.append(own if age_s <= share * 2000 else replace(own, ended="censored"))
        return found

    return draw


def chance() -> dict[str, Draw]:
    """Lives that ended at random."""
    tried: dict[str, Draw] = {}
    for lives in (2, 3, 4, 5, 6):
        tried[f"{lives} lives, one rate"] = by_chance(lives, (1,))
        tried[f"{lives} lives, rate x1 and x2"] = by_chance(lives, (1, 2))
    for share in (0.4, 1.2):
        tried[f"6 lives, observed for {share} of their mean"] = cut_off(share)
    for lives in (2, 3):
        tried[f"{lives} lives, 30 unrelated counts"] = _of(unrelated, lives, 30, 800.0)
    return tried


def causes() -> dict[str, tuple[str, Draw]]:
    """Lives that ended of something, and the verdict on it."""
    tried: dict[str, tuple[str, Draw]] = {}
    for spread in (0.0, 0.01, 0.03):
        wide = f", {spread:.0%} spread" if spread else ""
        tried[f"count{wide}"] = ("count", _of(after_polls, 2047, ONE_DOUBLED, spread))
        tried[f"time{wide}"] = ("time", _of(after_time, 2047.0, ONE_DOUBLED, spread))
    tried["rollover"] = ("rollover", _of(at_rollover, TURN_S, (1, 1, 1), ONE_DOUBLED))
    tried["rollover, other turns, one rate"] = (
        "rollover",
        _of(at_rollover, TURN_S, (1, 2, 3), (1, 1, 1)),
    )
    tried["250 data NACKs"] = ("count", _of(after_nacks, 250, 3))
    tried["count, 2 lives, x1 and x2"] = ("count", _of(after_polls, 2047, (1, 2)))
    tried["time, 2 lives, x1 and x2"] = ("time", _of(after_time, 2047.0, (1, 2)))
    tried["count, one rate"] = ("count", _of(after_polls, 2047, (1, 1, 1)))
    tried["time, one rate"] = ("time", _of(after_time, 2047.0, (1, 1, 1)))
    return tried


def _of(make: Callable[..., list[Life]], *given: object) -> Draw:
    return lambda dice, _k: make(dice, *given)


def kinds(draw: Draw, trials: int, seed: int) -> Counter[str]:
    """How often each verdict came."""
    dice = np.random.default_rng(seed)
    return Counter(verdict(draw(dice, k)).kind for k in range(trials))


def shares(found: Counter[str], names: Sequence[str]) -> str:
    """The part of all that has one of these names."""
    return f"{sum(found[name] for name in names) / found.total():.1%}"


def coverage(failures: int, trials: int, shape: float) -> str:
    """How often a part that was not mended runs clean for as long as the rule asks."""
    dice = np.random.default_rng(failures)
    past = dice.weibull(shape, (trials, failures)).sum(1)
    needed = np.array([clean_time(failures, float(total)) for total in past])
    return f"{(dice.weibull(shape, trials) > needed).mean():.2%}"


def main() -> None:
    """Print the tables."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    begun, judged = time.process_time(), 0
    rows = []
    for seed, (name, draw) in enumerate(chance().items()):
        found = kinds(draw, trials, seed)
        judged += trials
        rows.append((name, shares(found, CLAIMS), *(shares(found, [k]) for k in KINDS[4:])))
    sys.stdout.write(table([("ended by chance", "claimed", *KINDS[4:]), *rows]) + "\n\n")
    rows = []
    for seed, (name, (right, draw)) in enumerate(causes().items()):
        found = kinds(draw, trials, seed)
        judged += trials
        wrong = [kind for kind in CLAIMS if kind != right]
        rest = (shares(found, [k]) for k in ("confounded", "cannot say"))
        rows.append((name, shares(found, [right]), shares(found, wrong), *rest))
    sys.stdout.write(
        table([("ended by", "right", "wrong", "confounded", "cannot say"), *rows]) + "\n\n"
    )
    each_ms = (time.process_time() - begun) / judged * 1e3
    sys.stdout.write(
        f"{each_ms:.1f} ms of processor time a verdict, drawing the lives included\n\n"
    )
    shapes = (1.0, 2.0)
    rows = [
        (str(n), *(coverage(n, 100 * trials, shape) for shape in shapes)) for n in (1, 2, 3, 5, 10)
    ]
    heads = ("past failures", *(f"clean by luck, shape {shape:g}" for shape in shapes))
    sys.stdout.write(table([heads, *rows]) + "\n")


if __name__ == "__main__":
    main()
