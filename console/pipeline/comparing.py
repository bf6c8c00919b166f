"""From the evidence of a run to the lives of its peripherals, as they are compared across runs."""

from __future__ import annotations

from console.bench.model import Bench
from console.diagnosis.cutting import episodes_of
from console.diagnosis.lifetimes.counting import lives_of
from console.diagnosis.lifetimes.lives import Life
from console.pipeline.evidence import Evidence
from console.pipeline.run_findings import timed_rows
from console.watch.from_bench import names_of


def lives_in(evidence: Evidence, bench: Bench, run: str) -> list[Life]:
    """The lives of every peripheral of a run, also those that did not fail.

    Args:
        evidence: of the run.
        bench: it was read by.
        run: what the run is called.
    """
    tables = timed_rows(evidence.tables)
    episodes = episodes_of(bench, tables, evidence.observation)
    return lives_of(episodes, tables, run, names_of(bench), evidence.observation.off_axis)
