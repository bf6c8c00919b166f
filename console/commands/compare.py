"""`lastack compare`: the lives of one device across runs; count, clock or chance."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from console.commands.options import run_options
from console.commands.reading import BAD_INPUT, INTERRUPTED, read_bench, reading_code
from console.diagnosis.lifetimes.comparison import Comparison, comparison
from console.diagnosis.lifetimes.lives import Life
from decoders.errors import DiagnosticError

if TYPE_CHECKING:
    from console.pipeline.comparing import RunLives

FOUND = 1
_MOST_NAMED = 8

HELP = """Compare runs: did it stop after a count, after a time, or at random?

\b
Examples:
  lastack compare monday tuesday wednesday       (recorded runs)
  lastack compare board-a/bench.toml board-b/bench.toml
  lastack compare monday tuesday --device camera
  lastack compare soak --json | jq .verdict

Each PATH is one run: a bench file, a recorded run, or a loose recording. Every
passage of a device from its first good answer (or from the boot, where the log
shows it) to its stop is one life; one that was still answering when the run ended
counts too. Two lives that failed are the least that can be compared; change the
poll rate between them, or count and time cannot be told apart.

What is otherwise while it is healthy (traffic that is new or missing, rates, waits)
is told of each run beside the first.

Exit codes: 0 the device stopped in none of the runs, 1 it did, 2 usage or input,
130 interrupted.
"""


@click.command("compare", help=HELP, context_settings={"help_option_names": ["-h", "--help"]})
@run_options
@click.option("--device", metavar="NAME", help="Whose lives; else who stopped most often.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
def command(
    paths: Sequence[str], device: str | None, as_json: bool, debug: bool, **overrides: Any
) -> int:
    """Run the command; see HELP."""
    _check_once(paths)
    runs, code = read_runs(paths, **overrides)
    lives = [life for run in runs for life in run.lives]
    compared = comparison(lives, device)
    if compared is None:
        if code == INTERRUPTED:
            return code
        raise _no_lives(lives, device)
    tell(compared, runs, as_json=as_json)
    return code or (FOUND if compared.verdict.failures else 0)


def read_runs(paths: Sequence[str], **overrides: Any) -> tuple[list[RunLives], int]:
    """The lives in every run, and 130 or 2 where one was not read to its end."""
    from console.pipeline.comparing import lives_in

    runs: list[RunLives] = []
    codes = {0}
    for path in paths:
        bench, evidence = read_bench([path], **overrides)
        codes.add(reading_code(evidence))
        runs.append(lives_in(evidence, bench, path))
        if evidence.interrupted:
            break
    return runs, INTERRUPTED if INTERRUPTED in codes else max(codes & {0, BAD_INPUT})


def _check_once(paths: Sequence[str]) -> None:
    for k, path in enumerate(paths):
        if path in paths[:k]:
            raise DiagnosticError(
                f"{path} is given twice", mend="Each path is a run of its own: give each once."
            )


def _no_lives(lives: Sequence[Life], device: str | None) -> DiagnosticError:
    names = sorted({life.device for life in lives})
    if device is None or not names:
        return DiagnosticError(
            "no device answered in any of these runs",
            mend="Give runs with a bus on which something answered: `lastack check PATH` "
            "says what is in one.",
        )
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return DiagnosticError(
        f"--device: no life of '{device}' in these runs",
        mend=f"Devices that answered: {', '.join(names[:_MOST_NAMED])}{more}.",
    )


def tell(compared: Comparison, runs: Sequence[RunLives], *, as_json: bool) -> None:
    """Print the comparison."""
    habits = [each for run in runs for each in run.habits if each.device == compared.device]
    if as_json:
        from console.report.compare_json import compare_object
        from console.report.export import one_line_json

        names = [run.run for run in runs]
        sys.stdout.write(one_line_json(compare_object(compared, names, habits)) + "\n")
        return
    from console.report.compare_text import compare_text

    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    sys.stdout.write(compare_text(compared, len(runs), habits, width))
