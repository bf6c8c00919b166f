"""`lastack demo`: the same as `check` on the demo run that came with the program."""

from __future__ import annotations

from pathlib import Path

import click

import captures_demo
from console.commands.check import exit_code, tell
from console.commands.reading import read_run

BENCH = "cap_line/bench.toml"

HELP = """Run on the demo: the cap line of a small cider works.

A vision camera on I2C, a controller board, a servo diverter and a hopper-level
sensor; a level capture, a serial log and an MQTT recording on three clocks. The
camera goes silent half an hour in.
"""


@click.command("demo", help=HELP, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option("--all", "all_findings", is_flag=True, help="Print every finding, however many.")
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
def command(as_json: bool, all_findings: bool, debug: bool) -> int:
    """Run the command; see HELP."""
    bench = Path(captures_demo.__file__).parent / BENCH
    evidence = read_run([str(bench)])
    tell(evidence, as_json=as_json, all_findings=all_findings)
    return exit_code(evidence, "fault")
