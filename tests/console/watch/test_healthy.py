"""Healthy traffic, long and irregular, gives no finding at all."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest

from console.bench.model import Bench
from console.bench.tables import TABLES
from console.watch.from_bench import rules_for
from console.watch.rule import Batch
from console.watch.watching import watched
from tests.console.watch.runs import MS, S

Times = np.ndarray[tuple[int], np.dtype[np.int64]]


def transactions(starts: Times, address: int, reads: list[bool], words: list[str]) -> pl.DataFrame:
    """Transactions of 300 us that were all answered; reads and data come round again."""
    n = len(starts)
    turn = math.lcm(len(reads), len(words))
    rows = [(words[k % len(words)], reads[k % len(reads)]) for k in range(turn)]
    one_turn = pl.DataFrame(
        {
            "source": "wire",
            "bus": "i2c-1",
            "address": pl.Series([address] * turn, dtype=pl.Int32),
            "address_bits": pl.Series([7] * turn, dtype=pl.UInt8),
            "read": [read for _, read in rows],
            "address_acked": True,
            "data": [data for data, _ in rows],
            "acks": ["A" * (len(data) // 2 - read) + "N" * read for data, read in rows],
            "started_by": "start",
            "ended_by": "stop",
            "problems": pl.Series([[]] * turn, dtype=pl.List(pl.String)),
        }
    )
    times = pl.DataFrame({"start_ns": starts, "end_ns": starts + 300_000})
    return times.hstack(one_turn[np.arange(n) % turn])


def paired(starts: Times) -> Times:
    """A write and, 2 ms later, a read at each of these."""
    both: Times = np.repeat(starts, 2) + np.tile([0, 2 * MS], len(starts))
    return both


def together(one: pl.DataFrame, two: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """The traffic of two targets on one bus, as long as both are asked."""
    until = min(one["start_ns"].to_list()[-1], two["start_ns"].to_list()[-1])
    return pl.concat([one, two]).filter(pl.col("start_ns") < until).sort("start_ns"), until


def rhythm(kind: str, rng: np.random.Generator, n: int) -> Times:
    """When a target is polled, in one of the ways targets are."""
    gaps = {
        "even": np.full(n, S),
        "jittered": rng.integers(800 * MS, 1200 * MS, n),
        "by chance": (rng.exponential(1.0, n) * S).astype(np.int64) + 5 * MS,
        "two rates": np.where(np.arange(n) < n // 2, S, 100 * MS),
        "hurried": np.full(n, 5 * MS),
        "in bursts": np.where(np.arange(n) % 10 == 9, 20 * S, 50 * MS),
    }[kind]
    times: Times = np.cumsum(gaps)
    return times


KINDS = ["even", "jittered", "by chance", "two rates", "hurried", "in bursts"]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [1, 2])
def test_healthy_polling_of_any_rhythm_gives_no_finding(kind: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    one, two = paired(rhythm(kind, rng, 5000)), paired(rhythm("jittered", rng, 5000)) + 7 * MS
    words = ["10", *(f"{word:06x}" for word in rng.integers(0, 2**24, 7))]
    first = transactions(one, 0x2E, [False, True], ["10", "0a1b2c"])
    second = transactions(two, 0x41, [False, True], words)
    table, until = together(first, second)
    prints = pl.DataFrame(
        [{"t_ns": t, "source": "board", "native_ns": t, "text": "x"} for t in range(0, until, S)],
        schema=dict(TABLES["prints"]),
    )
    tables = {"transactions": table, "prints": prints}
    assert watched(Bench(), tables, 0, until, {"wire": until}) == []


def test_a_million_healthy_transactions_in_one_batch_give_no_finding() -> None:
    rng = np.random.default_rng(3)
    starts = paired(rhythm("jittered", rng, 500_000))
    table = transactions(starts, 0x2E, [False, True], ["10", "0a1b2c"])
    until = int(starts[-1]) + S
    batch = Batch({"transactions": table}, until, {"wire": until})
    found = []
    for rule in rules_for(Bench()):
        rule.begin(0)
        found += rule.feed(batch) + rule.finish(until)
    assert found == []


def test_a_display_that_is_only_written_and_a_sensor_that_is_only_read_are_healthy() -> None:
    rng = np.random.default_rng(4)
    display = transactions(rhythm("by chance", rng, 3000), 0x3C, [False], ["40aa", "40bb00"])
    sensor = transactions(rhythm("jittered", rng, 3000) + 9 * MS, 0x48, [True], ["1980", "1990"])
    table, until = together(display, sensor)
    assert watched(Bench(), {"transactions": table}, 0, until, {"wire": until}) == []
