"""Runs of the simulator with a known cause, read and told; each once."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

from captures_demo.simulator.corpus import LabelledRun, labelled, write_labelled
from console.diagnosis.story import Part
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.pipeline.telling import Told, told


@cache
def told_run(cause: str, variant: int = 0, *, healthy: bool = False) -> tuple[LabelledRun, Told]:
    """What is told of a run that was made with a cause, or of its healthy twin."""
    made = labelled(cause, variant, healthy=healthy)
    with tempfile.TemporaryDirectory() as folder:
        write_labelled(made, Path(folder))
        inputs = settled([str(Path(folder) / "bench.toml")], Overrides())
        evidence = gathered(inputs, keep_edges=True)
        return made, told(evidence, inputs.bench)


def part(found: Told, title: str) -> Part:
    """A part of the gravest story."""
    return next(part for part in found.stories[0].parts if part.title == title)


def words(found: Told, title: str) -> str:
    """The lines of a part."""
    return "\n".join(line.words for line in part(found, title).lines)
