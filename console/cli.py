"""The commands. Each is imported only when it runs, so that help and version start at once."""

from __future__ import annotations

import errno
import gc
import importlib
import io
import os
import sys
from collections.abc import Sequence
from difflib import get_close_matches
from typing import Any

import click

from console.ownfiles import foreign_package
from console.streams import ready_streams

# Command -> module and one line of help. The help stands here so that listing imports nothing.
COMMANDS = {
    "check": ("console.commands.check", "Decode, align and watch; print the findings."),
    "compare": ("console.commands.compare", "Compare runs: count, clock or chance."),
    "demo": ("console.commands.demo", "Open the demo: a cap line whose camera goes silent."),
    "export": ("console.commands.export", "Write one table as jsonl, csv or parquet."),
    "new": ("console.commands.new", "Write a starter bench file from what is there."),
    "open": ("console.commands.open", "Open the console on a bench file or recordings."),
    "record": ("console.commands.record", "Record ports and brokers into a run, and watch."),
}
OPEN = "open"  # also what a path in place of a command means
STDIN = "-"

EXIT_USAGE = 2
EXIT_INTERRUPTED = 130
DISK_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
EXIT_PIPE = 141  # 128 + SIGPIPE: the reader of our output went away


class Commands(click.Group):
    """A group whose commands are modules, loaded when named."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in order, with nothing imported."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, or None."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(COMMANDS[cmd_name][0]).command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does; a path that is there is opened, a mistyped word gets the closest one."""
        name = args[0]
        if name in COMMANDS:
            return super().resolve_command(ctx, args)
        if name == STDIN or _is_there(name):
            own = ["--ascii"] if ctx.params.get("ascii_only") else []
            return super().resolve_command(ctx, [OPEN, *own, *args])
        if not name.startswith("-"):
            ctx.fail(f"No such command or file {name!r}.{_hint(name)}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands by the table, not by importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][1]) for name in sorted(COMMANDS)])

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run, and turn what a user can mend into one message and an exit code."""
        if not standalone_mode:
            return super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        code = _run(lambda: click.Group.main(self, args, prog_name, complete_var, False, **extra))
        gc.freeze()  # or each of a million objects would be looked at once more, to no use
        sys.exit(code)


def _is_there(name: str) -> bool:
    try:
        return os.path.exists(name)
    except ValueError:  # no file can have such a name
        return False


def _hint(name: str) -> str:
    """The command or file beside it that was meant, if there is one that is close."""
    folder, slash, last = name.rpartition("/")
    try:
        files = os.listdir(folder + slash or ".")
    except (OSError, ValueError):
        files = []
    close = [] if slash else get_close_matches(name, COMMANDS, 1)
    close += [folder + slash + file for file in get_close_matches(last, files, 1, cutoff=0.7)]
    return f" Did you mean {close[0]!r}?" if close else ""


def _run(main: Any) -> int:
    """Exit code of `main`, with every mendable error told once on stderr."""
    ready_streams()
    if told := foreign_package():
        click.echo(f"lastack: {told}", err=True)
        return EXIT_USAGE
    from decoders.errors import DiagnosticError  # ours, now that it is known to be

    debug = "--debug" in sys.argv[1:]
    try:
        result = main()
        sys.stdout.flush()
    except click.ClickException as error:
        _tell_usage(error)
        return error.exit_code
    except DiagnosticError as error:
        if debug:
            raise
        _tell(str(error))
        return EXIT_USAGE
    except BrokenPipeError:
        _mute_stdout()
        return EXIT_PIPE
    except OSError as error:
        if debug or error.errno not in DISK_FULL:
            raise
        _mute_stdout()
        _tell(
            f"the output cannot be written: {error.strerror}\nFree some space, or write elsewhere."
        )
        return EXIT_USAGE
    except (KeyboardInterrupt, click.Abort):
        click.echo("lastack: interrupted", err=True)
        return EXIT_INTERRUPTED
    return result if isinstance(result, int) else 0


def _tell(error: str) -> None:
    from console.printable import printable_block

    click.echo(printable_block(f"lastack: {error}"), err=True)


def _tell_usage(error: click.ClickException) -> None:
    """What click says of a wrong use, with the user's own words made printable."""
    from console.printable import printable_block

    said = io.StringIO()
    error.show(file=said)
    click.echo(printable_block(said.getvalue()), err=True, nl=False)


def _mute_stdout() -> None:
    """Point stdout at nothing, or the interpreter's last flush would complain again."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, sys.stdout.fileno())


def _version(ctx: click.Context, _option: click.Parameter, wanted: bool) -> None:
    if wanted and not ctx.resilient_parsing:
        from importlib.metadata import version

        click.echo(f"lastack {version('lastack')}")
        ctx.exit()


HELP = """Who stopped answering, when, and after how many.

\b
Examples:
  lastack demo
  lastack                                      (what was opened last)
  lastack bench.toml
  lastack wire.csv controller.log broker.jsonl
  lastack check wire.csv controller.log broker.jsonl
  lastack check bench.toml --json
  lastack export bench.toml --table transactions --format csv
  lastack compare monday tuesday wednesday
  lastack new wire.csv controller.log > bench.toml
  lastack record bench.toml -o soak --console

Puts what the firmware printed, what was on the wire and what went over the
network on one timeline, and says which of it was wrong. It only listens:
nothing is sent on a bus, a port or a broker, but for an exercise that was asked
for with record --transmit.
"""

EPILOG = """\b
Exit codes: 0 nothing at or above --fail-on, 1 findings, 2 usage or input,
130 interrupted. Of the console: 0 after quit."""


@click.group(
    cls=Commands,
    help=HELP,
    epilog=EPILOG,
    invoke_without_command=True,
    subcommand_metavar="[COMMAND | PATH...] [ARGS]...",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_version,
    help="Print the version and stop.",
)
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with ASCII characters alone.")
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
@click.pass_context
def cli(ctx: click.Context, ascii_only: bool, debug: bool) -> int | None:
    """Let the command named do the work; without one, show the start screen."""
    if ctx.invoked_subcommand is not None:
        return None
    from console.commands.terminal import has_terminal

    if not has_terminal():
        raise click.exceptions.NoArgsIsHelpError(ctx)
    from console.commands.console_run import run_console

    return run_console(ascii_only=ascii_only)


if __name__ == "__main__":
    cli()
