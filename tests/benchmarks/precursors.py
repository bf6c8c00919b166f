"""How often a planted precursor is told first, and how often something is told where none was.

`python -m tests.benchmarks.precursors [RUNS] [POLLS] [SEED]`: RUNS made runs of each plant (200 if
left out) of POLLS answered polls (4000) from that seed on (1000), the precursor in 1 of 1000
healthy polls by chance and before the failure for certain; and four times as many runs without one,
quiet and restless ones. Then the time for a run of five million events.
"""

from __future__ import annotations

import sys
import time
from collections import Counter

import polars as pl

from console.diagnosis.before.looking import differences
from console.diagnosis.scene import Scene
from tests.benchmarks.measure import table
from tests.console.diagnosis.before.planted import PLANTS, restless, scene_with

RARITY = 1e-3
EVENTS = 5_000_000
FIRST_SEED = 1_000  # the tests have the ones below


def told_first(plant: str, seeds: range, polls: int) -> Counter[str]:
    """What is told first in so many runs; empty words for nothing."""
    found: Counter[str] = Counter()
    for seed in seeds:
        ranked = differences(scene_with(plant, seed, polls=polls, rarity=RARITY)).ranked
        found[ranked[0].kind if ranked else ""] += 1
    return found


def large_scene() -> Scene:
    """A run of some five million events, with a rare shape at its end."""
    return scene_with("shape", FIRST_SEED, polls=EVENTS * 10 // 46)


def main() -> int:
    """Run the command."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    polls = int(sys.argv[2]) if len(sys.argv) > 2 else 4000
    first = int(sys.argv[3]) if len(sys.argv) > 3 else FIRST_SEED
    healthy = range(first, first + 4 * runs)
    rows: list[list[object]] = [["planted", "told first", "of", "nothing", "another first"]]
    for plant, kind in PLANTS.items():
        found = told_first(plant, range(first, first + runs), polls)
        another = runs - found[kind] - found[""]
        rows.append([plant, found[kind], runs, found[""], another])
        print(table([rows[0], rows[-1]]), flush=True)
    found = told_first("", healthy, polls)
    rows.append(["none", "", 4 * runs, found[""], 4 * runs - found[""]])
    quiet = sum(not differences(restless(seed, polls)).ranked for seed in healthy)
    rows.append(["none, restless", "", 4 * runs, quiet, 4 * runs - quiet])
    print(table(rows))
    scene = large_scene()
    events = sum(frame.height for frame in scene.tables.values() if isinstance(frame, pl.DataFrame))
    begin, used = time.perf_counter(), time.thread_time()
    kinds = [one.kind for one in differences(scene).ranked]
    took, used = time.perf_counter() - begin, time.thread_time() - used
    print(f"{events:,} events: {took:.1f} s, {used:.1f} s of this thread; told {kinds}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
