"""`lastack demo`: the console on the demo run that came with the program.

Without a terminal, the same as `check` on it.
"""

from __future__ import annotations

from pathlib import Path

import click

import captures_demo
from console.commands.open import ascii_option
from console.commands.terminal import has_terminal

BENCH = "cap_line/bench.toml"

HELP = """Open the console on the demo: the cap line of a small cider works.

A vision camera on I2C, a controller board, a servo diverter and a hopper-level
sensor; a level capture, a serial log and an MQTT recording on three clocks. The
camera goes silent half an hour in.

Without a terminal, and with --json or --all, it does what check does.
"""


@click.command("demo", help=HELP, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the console.")
@click.option("--all", "all_findings", is_flag=True, help="Print every finding as text.")
@ascii_option
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
def command(as_json: bool, all_findings: bool, ascii_only: bool, debug: bool) -> int:
    """Run the command; see HELP."""
    if has_terminal() and not as_json and not all_findings:
        return _console(ascii_only=ascii_only)
    return _check(as_json=as_json, all_findings=all_findings)


def _console(*, ascii_only: bool) -> int:
    """Only the toolkit is loaded here, so that the first picture comes at once."""
    from console.app.state.request import demo_request
    from console.commands.console_run import run_console

    return run_console(demo_request(), ascii_only=ascii_only)


def _check(*, as_json: bool, all_findings: bool) -> int:
    from console.commands.check import exit_code, tell
    from console.commands.reading import read_bench

    bench = Path(captures_demo.__file__).parent / BENCH
    found, evidence = read_bench([str(bench)], keep_edges=True)
    tell(found, evidence, as_json=as_json, all_findings=all_findings)
    return exit_code(evidence, "fault")
