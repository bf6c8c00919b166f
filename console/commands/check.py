"""`lastack check`: decode, align and watch; findings to stdout."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from console.commands.options import run_options, wants_colour
from console.commands.reading import read_bench, reading_code
from console.pipeline.evidence import Evidence
from console.run.schema import is_run
from console.sources.files import STDIN, SourceFile
from console.sources.kinds import Kind, kind_of
from console.watch.findings import SEVERITIES
from decoders.errors import DiagnosticError, Place

if TYPE_CHECKING:
    from console.bench.model import Bench
    from console.diagnosis.causes.experiments import Outcome
    from console.pipeline.backtest import BackTest

FOUND = 1

HELP = """Decode, align and watch recordings; print the findings.

\b
Examples:
  lastack check bench.toml
  lastack check wire.csv controller.log broker.jsonl
  lastack check wire.vcd --i2c scl=ch1,sda=ch2
  lastack check bench.toml --json | jq .findings
  lastack check bench.toml --fail-on warning
  lastack check soak               (a recorded run, by the bench in it)
  lastack check soak --rules new.toml --back-test
  lastack check monday tuesday --healthy
  lastack check bench.toml --outcomes tried.toml

PATH is a bench file, a run, or loose recordings: level captures (delimited text
or VCD, also gzipped), serial logs, MQTT messages as JSON lines. The kind is told
by content; - is stdin.

A back-test goes through what was recorded as if it were watched live, and says
of each alarm how long after its beginning it could have been told, and of each
rule how many alarms a day it gave while all was well: until the first fault, or,
with --healthy, all the time. Several runs are always back-tested, each by itself.
"""


@click.command("check", help=HELP, context_settings={"help_option_names": ["-h", "--help"]})
@run_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option("--all", "all_findings", is_flag=True, help="Print every finding, however many.")
@click.option("--back-test", is_flag=True, help="When each alarm could have been told.")
@click.option("--outcomes", metavar="FILE", help="What came of experiments (TOML).")
@click.option("--healthy", is_flag=True, help="Back-test runs known to be good throughout.")
@click.option(
    "--fail-on",
    type=click.Choice(SEVERITIES),
    default="fault",
    show_default=True,
    help="Exit with 1 when there is a finding at or above this.",
)
def command(
    paths: Sequence[str],
    as_json: bool,
    all_findings: bool,
    fail_on: str,
    back_test: bool,
    healthy: bool,
    outcomes: str | None,
    debug: bool,
    **overrides: Any,
) -> int:
    """Run the command; see HELP."""
    runs = [path for path in paths if path != STDIN and is_run(path)]
    if back_test or healthy or len(runs) > 1:
        found = back_tests(paths, runs, healthy=healthy, **overrides)
        tell_back_tests([each for each, _ in found], as_json=as_json, all_alarms=all_findings)
        return max(exit_code(evidence, fail_on) for _, evidence in found)
    done = read_outcomes(outcomes)  # first: what is wrong with it is told before hours are read
    bench, evidence = read_bench(paths, keep_edges=True, **overrides)
    tell(bench, evidence, done, as_json=as_json, all_findings=all_findings)
    return exit_code(evidence, fail_on)


def read_outcomes(path: str | None) -> Sequence[Outcome]:
    """What came of experiments, from a file; none without one.

    Raises:
        DiagnosticError: what is wrong with it.
    """
    if path is None:
        return ()
    from console.bench.load import file_content
    from console.diagnosis.causes.outcomes_file import load_outcomes

    return load_outcomes(file_content(Path(path), Place(path)), path)


def back_tests(
    paths: Sequence[str], runs: Sequence[str], *, healthy: bool, **overrides: Any
) -> list[tuple[BackTest, Evidence]]:
    """Watch again what the user named, each run by itself with what stands beside the runs."""
    from console.pipeline.backtest import BackTest

    beside = [path for path in paths if path not in runs]
    if beside and len(runs) > 1 and not all(_is_bench(path) for path in beside):
        raise DiagnosticError(
            "recordings beside several runs belong to none of them",
            mend="Give them with the one run they belong to; a bench file may stand beside all.",
        )
    found = []
    for own in [[run, *beside] for run in runs] or [list(paths)]:
        bench, evidence = read_bench(own, **overrides)
        found.append((BackTest.of(bench, evidence, own[0], healthy=healthy), evidence))
    return found


def _is_bench(path: str) -> bool:
    if path == STDIN:
        return False
    with SourceFile(path) as file:
        return kind_of(file.head(), path).kind is Kind.BENCH


def tell_back_tests(found: Sequence[BackTest], *, as_json: bool, all_alarms: bool) -> None:
    """Print what the back-tests came to."""
    from console.report.backtest_report import backtest_object, backtest_text
    from console.report.export import one_line_json

    if as_json:
        sys.stdout.write(one_line_json(backtest_object(found)) + "\n")
    else:
        sys.stdout.write(backtest_text(found, all_alarms=all_alarms))


def tell(
    bench: Bench,
    evidence: Evidence,
    outcomes: Sequence[Outcome] = (),
    *,
    as_json: bool,
    all_findings: bool,
) -> None:
    """Print what was found, and of what stopped answering why."""
    from console.pipeline.telling import told

    found = told(evidence, bench, outcomes=outcomes)
    if as_json:
        from console.report.check_json import check_object
        from console.report.export import one_line_json

        sys.stdout.write(one_line_json(check_object(evidence, found)) + "\n")
        return
    from console.report.check_text import check_text

    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    text = check_text(
        evidence, found, colour=wants_colour(), width=width, all_findings=all_findings
    )
    sys.stdout.write(text)


def exit_code(evidence: Evidence, fail_on: str) -> int:
    """130 when interrupted, 2 when a source was not read to its end, 1 when something was found."""
    if code := reading_code(evidence):
        return code
    bad = SEVERITIES[: SEVERITIES.index(fail_on) + 1]
    return FOUND if any(finding.severity in bad for finding in evidence.findings) else 0
