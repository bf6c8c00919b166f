"""From the evidence of a run to the lives of its peripherals, as they are compared across runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from console.bench.model import Bench
from console.diagnosis.differences.habits import Habits, habits_of
from console.diagnosis.lifetimes.lives import Life
from console.pipeline.diagnosing import peripherals_of
from console.pipeline.evidence import Evidence


@dataclass(frozen=True, slots=True)
class RunLives:
    """What is kept of a run to be compared; its tables are not."""

    run: str
    lives: Sequence[Life]  # of every peripheral, also those that did not fail
    habits: Sequence[Habits]  # of the first life of each


def lives_in(evidence: Evidence, bench: Bench, run: str) -> RunLives:
    """The lives of every peripheral of a run, and how each lived its first.

    Args:
        evidence: of the run.
        bench: it was read by.
        run: what the run is called.
    """
    of = peripherals_of(evidence, bench)
    firsts = {each.device: each for each in reversed(of.episodes) if each.transactions_answered}
    habits = [
        habits_of(firsts[name], of.tables, run, of.names, of.off_axis) for name in sorted(firsts)
    ]
    return RunLives(run, of.lives(run), habits)
