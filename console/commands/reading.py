"""Read a run for a command: progress while it lasts, what was found so far on Ctrl-C."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from console.bench.model import Bench
from console.commands.interrupt import Interrupt
from console.commands.progress import Progress
from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.printable import printable_block

BAD_INPUT = 2
INTERRUPTED = 130


def read_run(paths: Sequence[str], *, quiet: bool = False, **overrides: Any) -> Evidence:
    """The evidence of what the user named; what was not read to its end is told on stderr.

    Args:
        paths: a bench file or loose recordings.
        quiet: whether nothing is said on stderr.
        overrides: the fields of `Overrides`.

    Raises:
        DiagnosticError: when something cannot be read.
    """
    return read_bench(paths, quiet=quiet, **overrides)[1]


def read_bench(
    paths: Sequence[str], *, quiet: bool = False, keep_edges: bool = False, **overrides: Any
) -> tuple[Bench, Evidence]:
    """What `read_run` reads, and the bench that it was read by.

    Args:
        paths: as `read_run` has them.
        quiet: whether nothing is said on stderr.
        keep_edges: whether the levels of captures are kept on disk, to be looked at again.
        overrides: the fields of `Overrides`.
    """
    with Interrupt() as stop, Progress(wanted=not quiet) as progress:
        inputs = settled(paths, Overrides(**overrides))
        evidence = gathered(inputs, progress=progress, stop=stop, keep_edges=keep_edges)
    for source in evidence.sources:
        if source.stopped is not None:
            click.echo(printable_block(f"lastack: {source.stopped}"), err=True)
    return inputs.bench, evidence


def reading_code(evidence: Evidence) -> int:
    """130 when interrupted, 2 when a source was not read to its end, else 0."""
    if evidence.interrupted:
        return INTERRUPTED
    return BAD_INPUT if any(source.stopped is not None for source in evidence.sources) else 0
