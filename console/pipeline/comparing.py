"""From the evidence of a run to the lives of its peripherals, as they are compared across runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from console.bench.model import Bench
from console.diagnosis.differences.habits import Habits, habits_of
from console.diagnosis.episode import Episode
from console.diagnosis.lifetimes.lives import Life
from console.pipeline.diagnosing import peripherals_of
from console.pipeline.evidence import Evidence
from console.trust.unobserved import NOTHING

# Share of a life: a rate must differ by a tenth to matter, so what is missing of it must be less.
_ALL_THE_WHILE = 0.95


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
        habits_of(each, of.tables, run, of.names, of.off_axis, _watched(evidence, each))
        for _, each in sorted(firsts.items())
    ]
    return RunLives(run, of.lives(run), habits)


def _watched(evidence: Evidence, episode: Episode) -> dict[str, str]:
    """The sources on the axis that were watched while a device was healthy, and their kinds."""
    from_ns, until_ns = episode.first_good_ns, episode.last_good_ns
    observation = evidence.observation
    found: dict[str, str] = {}
    for report in evidence.sources:
        if report.first_ns is None or report.name in observation.off_axis:
            continue
        end_ns = min(observation.observed_until.get(report.name, from_ns), until_ns)
        spans = observation.unobserved.get(report.name, NOTHING)
        seen = spans.observed(max(report.first_ns, from_ns), end_ns)
        if sum(b - a for a, b in seen) >= _ALL_THE_WHILE * (until_ns - from_ns):
            found[report.name] = report.kind
    return found
