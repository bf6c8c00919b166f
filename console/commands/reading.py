"""Read a run for a command: progress while it lasts, what was found so far on Ctrl-C."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from console.commands.interrupt import Interrupt
from console.commands.progress import Progress
from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled


def read_run(paths: Sequence[str], *, quiet: bool = False, **overrides: Any) -> Evidence:
    """The evidence of what the user named.

    Args:
        paths: a bench file or loose recordings.
        quiet: whether nothing is said on stderr.
        overrides: the fields of `Overrides`.

    Raises:
        DiagnosticError: when something cannot be read.
    """
    with Interrupt() as stop, Progress(wanted=not quiet) as progress:
        return gathered(settled(paths, Overrides(**overrides)), progress=progress, stop=stop)
