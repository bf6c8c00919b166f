"""Faulty replies: how many are found and named, and how many healthy ones are called faulty.

Run as `python -m tests.benchmarks.reply_faults`, with a number of seeds if not 20. Streams and what
goes wrong with them are those of the tests; a row of the first table is one fault over all streams
on which it can be seen.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator

import numpy as np

from console.diagnosis.replies.faults import reply_faults
from tests.benchmarks.measure import table
from tests.console.diagnosis.replies.streams import CASES, HEALTHY, Case

SEEDS = 20
LENGTH = 3_000


def faulty(case: Case, seeds: int) -> list[str]:
    """One fault: how many replies had it, were found, were named so; what was told beside them."""
    found = named = spoiled = wrong = healthy = 0
    for stream in case.streams:
        for seed in range(seeds):
            rng = np.random.default_rng(10_000 + seed)
            made = case.mutator(rng, HEALTHY[stream](rng, LENGTH))
            told = reply_faults(made.replies)
            rows, names = told["row"].to_numpy(), told["fault"].to_numpy()
            is_spoiled = made.truth[rows]
            found += int(is_spoiled.sum())
            named += int((is_spoiled & (names == case.fault)).sum())
            spoiled += int(made.truth.sum())
            wrong += int((~is_spoiled & ~made.either[rows]).sum())
            healthy += int((~made.truth & ~made.either).sum())
    return [
        case.fault,
        ", ".join(case.streams),
        f"{spoiled:,}",
        f"{found / spoiled:.2%}",
        f"{named / spoiled:.2%}",
        f"{1e4 * wrong / healthy:.2f}",
    ]


def left_alone(seeds: int) -> Iterator[list[str]]:
    """Healthy streams: how many replies in 10,000 are called faulty."""
    every = wrong = 0
    for stream, make in HEALTHY.items():
        own = sum(
            len(reply_faults(make(np.random.default_rng(20_000 + seed), LENGTH)))
            for seed in range(seeds)
        )
        every, wrong = every + seeds * LENGTH, wrong + own
        yield [stream, f"{seeds * LENGTH:,}", f"{own}", f"{1e4 * own / (seeds * LENGTH):.2f}"]
    yield ["all", f"{every:,}", f"{wrong}", f"{1e4 * wrong / every:.2f}"]


def speed() -> str:
    """Seconds of processor time for a hundred thousand replies."""
    replies = HEALTHY["noisy"](np.random.default_rng(1), 100_000)
    began = time.process_time()
    reply_faults(replies)
    return f"100,000 replies of 6 bytes: {time.process_time() - began:.1f} s"


def main() -> None:
    """Print both tables."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS
    head = ["fault", "on", "replies", "found", "named so", "wrong of 10,000 healthy"]
    print(table([head, *(faulty(case, seeds) for case in CASES)]))
    print(table([["healthy stream", "replies", "told", "of 10,000"], *left_alone(seeds)]))
    print(speed())


if __name__ == "__main__":
    main()
