"""`lastack check`: decode, align and watch; findings to stdout."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from typing import Any

import click

from console.commands.options import run_options, wants_colour
from console.commands.reading import read_run, reading_code
from console.pipeline.evidence import Evidence
from console.watch.findings import SEVERITIES

FOUND = 1

HELP = """Decode, align and watch recordings; print the findings.

\b
Examples:
  lastack check bench.toml
  lastack check wire.csv controller.log broker.jsonl
  lastack check wire.vcd --i2c scl=ch1,sda=ch2
  lastack check bench.toml --json | jq .findings
  lastack check bench.toml --fail-on warning

PATH is a bench file or loose recordings: level captures (delimited text or VCD,
also gzipped), serial logs, MQTT messages as JSON lines. The kind is told by
content; - is stdin.
"""


@click.command("check", help=HELP, context_settings={"help_option_names": ["-h", "--help"]})
@run_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option("--all", "all_findings", is_flag=True, help="Print every finding, however many.")
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
    debug: bool,
    **overrides: Any,
) -> int:
    """Run the command; see HELP."""
    evidence = read_run(paths, **overrides)
    tell(evidence, as_json=as_json, all_findings=all_findings)
    return exit_code(evidence, fail_on)


def tell(evidence: Evidence, *, as_json: bool, all_findings: bool) -> None:
    """Print what was found."""
    if as_json:
        from console.report.check_json import check_object
        from console.report.export import one_line_json

        sys.stdout.write(one_line_json(check_object(evidence)) + "\n")
        return
    from console.report.check_text import check_text

    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    text = check_text(evidence, colour=wants_colour(), width=width, all_findings=all_findings)
    sys.stdout.write(text)


def exit_code(evidence: Evidence, fail_on: str) -> int:
    """130 when interrupted, 2 when a source was not read to its end, 1 when something was found."""
    if code := reading_code(evidence):
        return code
    bad = SEVERITIES[: SEVERITIES.index(fail_on) + 1]
    return FOUND if any(finding.severity in bad for finding in evidence.findings) else 0
