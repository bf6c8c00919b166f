"""The scenes of the failures of a run, for tests that look at them by themselves."""

from __future__ import annotations

from console.bench.model import Bench
from console.diagnosis.scene import Scene
from console.pipeline.diagnosing import peripherals_of, scene_of
from console.pipeline.evidence import Evidence


def scenes_of(evidence: Evidence, bench: Bench) -> list[Scene]:
    """What there is to look at around every episode that failed, in time order."""
    found = peripherals_of(evidence, bench)
    return [scene_of(evidence, found.tables, each) for each in found.episodes if each.failed]
