"""A run from its files to evidence: read and decode each source, align, make tables, watch."""

from __future__ import annotations

from collections.abc import Callable

from console.pipeline.evidence import Evidence
from console.pipeline.inputs import Inputs
from console.pipeline.reading import Progress, read_all, unstopped, untold
from console.pipeline.settling import evidence_of


def gathered(
    inputs: Inputs,
    *,
    progress: Progress = untold,
    stop: Callable[[], bool] = unstopped,
    keep_edges: bool = False,
) -> Evidence:
    """The evidence of a run: `read_all`, then `evidence_of`.

    Raises:
        DiagnosticError: when a source cannot be read at all.
    """
    return evidence_of(read_all(inputs, progress, stop, keep_edges=keep_edges))
