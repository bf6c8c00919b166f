"""Alignment against worlds whose clocks are known: `python -m tests.benchmarks.alignment [worlds]`.

Prints, for 500 seeded worlds with everything that may go wrong, how often the error stays within
the stated band and how often an order is said wrongly; and how long a million prints against a
million transactions take.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import polars as pl

from console.timeline.alignment.align import aligned
from console.timeline.alignment.series import print_series, value_series
from console.timeline.alignment.ties import SourceClock
from tests.benchmarks.measure import table
from tests.console.timeline.judging import judged
from tests.console.timeline.worlds import random_plan, world


def honesty(worlds: int) -> list[list[object]]:
    """Coverage of the bands over many worlds."""
    found = [judged(world(random_plan(seed), seed), seed) for seed in range(worlds)]
    rows: list[list[object]] = [
        ["source", "worlds", "wholly aligned", "inside the band", "wrong order", "median band ms"]
    ]
    for source in ("log", "broker"):
        each = [one[source] for one in found]
        rows.append(
            [
                source,
                len(each),
                f"{np.mean([j.aligned == 1 for j in each]):.3f}",
                f"{np.mean([j.worst_beyond_ns <= 0 for j in each]):.3f}",
                f"{np.mean([j.wrong_order for j in each]):.4f}",
                f"{np.median([j.band_ns for j in each]) / 1e6:.2f}",
            ]
        )
    return rows


def scale(count: int) -> float:
    """Seconds to find the values of `count` printed lines and align them with as many packets."""
    rng = np.random.default_rng(1)
    wire = np.cumsum(rng.integers(500_000, 1_500_000, count))
    log = wire + rng.integers(0, 300_000, count)
    native = log + np.rint(log * 50e-6).astype(np.int64) - 3_600_000_000_000
    number = np.arange(count, dtype=np.float64)
    reading = rng.integers(0, 4096, count).astype(np.float64)
    rows = np.arange(count)
    texts = pl.select(
        pl.format(
            "camera: seq {} x {}",
            pl.Series(number, dtype=pl.Int64),
            pl.Series(reading, dtype=pl.Int64),
        ).alias("text")
    ).to_series()
    clocks = [
        SourceClock("wire", "capture", 0, wire[[0, -1]], rows[:2] * 0, is_wall=False),
        SourceClock("log", "firmware", 1, native, rows * 0, is_wall=False),
    ]
    begin = time.perf_counter()
    series = [
        *value_series("wire", "n", wire, rows, number),
        *value_series("wire", "x", wire, rows, reading),
        *print_series("log", native, rows, texts),
    ]
    maps = aligned(clocks, series, {}).maps
    took = time.perf_counter() - begin
    assert np.abs(maps["log"].common_ns(native) - log).max() < 1_000_000
    return took


if __name__ == "__main__":
    print(table(honesty(int(sys.argv[1]) if len(sys.argv) > 1 else 500)))
    print(f"a million prints against a million transactions: {scale(1_000_000):.1f} s")
