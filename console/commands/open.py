"""`lastack open`: the console on a bench file or recordings."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

import click

from console.commands.console_run import run_console
from console.commands.options import run_options

HELP = """Open the console on a bench file or recordings.

\b
Examples:
  lastack open bench.toml
  lastack open wire.csv controller.log broker.jsonl
  lastack open wire.vcd --i2c scl=ch1,sda=ch2
  zcat wire.csv.gz | lastack open -
  lastack open soak              (a run; while it is recorded, it is followed)

The same as lastack PATH... Marks, notes and columns are kept: beside a bench file
as NAME.lastack.json, for loose recordings in the state directory of XDG.
"""

ascii_option = click.option(
    "--ascii", "ascii_only", is_flag=True, help="Draw with ASCII characters alone."
)


@click.command("open", help=HELP, context_settings={"help_option_names": ["-h", "--help"]})
@run_options
@ascii_option
def command(
    paths: Sequence[str], ascii_only: bool, debug: bool, quiet: bool, **overrides: Any
) -> int:
    """Run the command; see HELP."""
    from console.app.state.request import Request

    named = [*paths, overrides["packets"], overrides["rules"]]
    check_there([path for path in named if path is not None])
    return run_console(Request(tuple(paths), overrides), ascii_only=ascii_only)


def check_there(paths: Sequence[str]) -> None:
    """Refuse what plainly cannot be opened before the screen is taken over.

    Raises:
        DiagnosticError: for the first such path.
    """
    from console.run.schema import is_run
    from console.sources.files import STDIN, SourceFile

    for path in paths:
        if path != STDIN and not _is_stream(path) and not is_run(path):
            SourceFile(path).close()


def _is_stream(path: str) -> bool:
    """Whether looking at it would take something out of it: a pipe or a device."""
    return os.path.exists(path) and not os.path.isfile(path) and not os.path.isdir(path)
