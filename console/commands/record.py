"""`lastack record`: ports, brokers and folders into a run, with the rules watching."""

from __future__ import annotations

import contextlib
import math
import queue
import threading
import time
from dataclasses import dataclass

import click

from console.commands.exercise import Exercising, confirmed
from console.commands.on_finding import OnFinding, command_words
from console.commands.record_lines import (
    Troubles,
    bad_count,
    end_line,
    finding_line,
    finding_object,
    happened_line,
)
from console.commands.record_output import Output
from console.commands.record_signals import Ending
from console.commands.terminal import take_terminal
from console.pipeline.raising import Told
from console.pipeline.recording import Around, Ears, Recording
from console.pipeline.recording_words import status_line
from console.printable import printable
from console.report.export import one_line_json
from console.sources.records import Happened, SourceState
from console.watch.exercised import missed_finding
from console.watch.findings import SEVERITIES
from decoders.durations import duration_ns
from decoders.errors import DiagnosticError

FOUND = 1
TURN_S = 0.1  # between looks at what is to be said
STATUS_S = 0.5
AT_FIRST_S = 10.0  # before the console is opened

Heard = Told | Happened | DiagnosticError | str | None

HELP = """Record ports, brokers and watched folders into a run, and watch the rules.

\b
Examples:
  lastack record bench.toml -o soak
  lastack record bench.toml -o soak --console
  lastack record bench.toml -o soak --for 12h --json > findings.jsonl
  lastack record bench.toml -o soak --append --on-finding 'notify-send lastack'
  lastack record bench.toml -o runs/1 --exercise gates.toml          (shows it)
  lastack record bench.toml -o runs/1 --exercise gates.toml --transmit
  lastack open soak                    (in another terminal: follow it)

It listens only: nothing is sent to any port or broker, but for the steps of an
--exercise with --transmit. These are shown and confirmed before; what moves may
move then: keep clear, and cut its power first. The recording ends after the
last step, or at the end of --for. Findings are printed as
they come, in one line each; Ctrl-C, SIGTERM and the end of --for end the
recording in good order. A source that cannot be opened is tried again, unless
the bench file says it is required.

--on-finding runs a program for each finding, without a shell. The finding is
JSON on its standard input and in LASTACK_FINDING. A bench file cannot ask for
that.

\b
Exit codes: 0 nothing raised at or above --fail-on, 1 findings, 2 it could not
begin or not everything could be stored, 130 after a second Ctrl-C.
"""


class Duration(click.ParamType[int]):
    """A length of time with its unit."""

    name = "duration"

    def convert(
        self, value: str | int, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """In ns."""
        if isinstance(value, int):
            return value
        try:
            return duration_ns(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)


DURATION = Duration()


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the command line asks for beside bench and run."""

    as_json: bool
    fail_on: str
    for_ns: int | None
    quiet: bool
    bell: bool


@click.command("record", help=HELP, context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("bench", metavar="BENCH")
@click.option("-o", "--output", metavar="RUN", required=True, help="Folder of the run; made.")
@click.option("--append", is_flag=True, help="Go on with a run that is there.")
@click.option("--for", "for_ns", type=DURATION, metavar="TIME", help='End by itself: "10min".')
@click.option("--json", "as_json", is_flag=True, help="Findings as one JSON object a line.")
@click.option("--bell", is_flag=True, help="Ring the terminal's bell at a finding.")
@click.option(
    "--fail-on",
    type=click.Choice(SEVERITIES),
    default="fault",
    show_default=True,
    help="Exit with 1 when a finding at or above this was raised.",
)
@click.option("--on-finding", metavar="COMMAND", help="Run a program for each finding.")
@click.option(
    "--evidence",
    type=(DURATION, DURATION),
    metavar="BEFORE AFTER",
    default=("30s", "10s"),
    help="What to mark around a finding; 30s 10s if left out.",
)
@click.option("--exercise", metavar="FILE", help="Steps to send, and what must come of them.")
@click.option("--transmit", is_flag=True, help="Send the exercise; without this it is only shown.")
@click.option("--yes", is_flag=True, help="Do not ask before sending.")
@click.option("--console", "in_console", is_flag=True, help="Open the console on it.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with ASCII characters alone.")
@click.option("--quiet", is_flag=True, help="Nothing on stderr but errors.")
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
def command(
    bench: str,
    output: str,
    append: bool,
    for_ns: int | None,
    as_json: bool,
    bell: bool,
    fail_on: str,
    on_finding: str | None,
    evidence: tuple[int, int],
    exercise: str | None,
    transmit: bool,
    yes: bool,
    in_console: bool,
    ascii_only: bool,
    quiet: bool,
    debug: bool,
) -> int:
    """Run the command; see HELP."""
    if exercise is None and (transmit or yes):
        raise click.UsageError("--transmit and --yes belong to an --exercise.")
    words = command_words(on_finding) if on_finding is not None else None
    if in_console:
        take_terminal()  # refused where there is none, before anything is begun
    wanted = Wanted(as_json, fail_on, for_ns, quiet, bell)
    steps = None if exercise is None else confirmed(bench, exercise, transmit=transmit, yes=yes)
    session = Session(wanted, words, steps)
    recording = Recording(bench, output, append=append, around=Around(*evidence), ears=session.ears)
    if in_console:
        return session.in_console(recording, ascii_only=ascii_only)
    return session.headless(recording)


class Session:
    """One recording and what is said of it.

    Args:
        wanted: how it is said.
        words: the program of `--on-finding`.
        exercise: what is sent meanwhile.
    """

    def __init__(
        self, wanted: Wanted, words: list[str] | None, exercise: Exercising | None = None
    ) -> None:
        self._wanted = wanted
        self._exercise = exercise
        self._heard: queue.SimpleQueue[Heard] = queue.SimpleQueue()
        self._troubles = Troubles()
        self._program = None if words is None else OnFinding(words, self._heard.put)
        self.ears = Ears(self._found, self._heard.put, self._heard.put)

    def headless(self, recording: Recording) -> int:
        """Record until told to end; the exit code."""
        out = Output(quiet=self._wanted.quiet, bell=self._wanted.bell)
        for remark in recording.remarks:
            out.say(printable(remark))
        with Ending(self._exercise.right.end if self._exercise else None) as ending:
            self._start(recording)
            try:
                failed = self._watch(recording, out, ending)
            finally:
                self._end(recording, out)
        return self._code(recording, out, failed)

    def in_console(self, recording: Recording, *, ascii_only: bool) -> int:
        """Record while the console shows it; the exit code."""
        from console.app.state.request import Request
        from console.commands.console_run import run_console

        out = Output(quiet=self._wanted.quiet, bell=False)
        self._start(recording)
        timer = threading.Timer((self._wanted.for_ns or 0) / 1e9, recording.stop)
        timer.daemon = True
        code, failed = 0, _failed_at_first(recording)
        try:
            if not failed:
                if self._wanted.for_ns is not None:
                    timer.start()
                request = Request((str(recording.folder),))
                code = run_console(request, ascii_only=ascii_only, recording=recording)
        finally:
            timer.cancel()
            self._end(recording, out, silent=True)
        return code or self._code(recording, out, failed)

    def _start(self, recording: Recording) -> None:
        if self._exercise is not None:
            self._exercise.begin(recording)
        recording.start()

    def _is_done(self) -> bool:
        """Whether there was an exercise, and it has come to its end."""
        done = self._exercise is not None and self._exercise.is_done
        return done and self._wanted.for_ns is None

    def _code(self, recording: Recording, out: Output, failed: list[SourceState]) -> int:
        if failed:
            recording.discard_if_empty()
            raise _not_opened(failed)
        out.say(end_line(recording.state(), recording.raised))
        return FOUND if bad_count(recording.raised, self._wanted.fail_on) else 0

    def _watch(self, recording: Recording, out: Output, ending: Ending) -> list[SourceState]:
        """Say what is heard until the end; the sources without which there is no recording."""
        for_ns = self._wanted.for_ns
        until_s = math.inf if for_ns is None else time.monotonic() + for_ns / 1e9
        status_s = 0.0
        while not ending.asked and not self._is_done() and (now_s := time.monotonic()) < until_s:
            if failed := recording.failed():
                return failed
            self._say_all(recording, out, min(TURN_S, until_s - now_s))
            if now_s - status_s >= STATUS_S:
                out.status(status_line(recording.state()))
                status_s = now_s
        return []

    def _end(self, recording: Recording, out: Output, *, silent: bool = False) -> None:
        """Stop it, and say what was heard by then."""
        try:
            if self._exercise is not None:
                self._exercise.stop()
            recording.stop()
        finally:
            if self._program is not None:
                self._program.close()
            if not silent:
                self._say_all(recording, out, 0.0)
            out.close()

    def _say_all(self, recording: Recording, out: Output, wait_s: float) -> None:
        """Say what was heard, waiting for the first of it."""
        with contextlib.suppress(queue.Empty):
            heard = self._heard.get(timeout=wait_s) if wait_s > 0 else self._heard.get(False)
            while True:
                self._say(recording, out, heard)
                heard = self._heard.get(False)

    def _say(self, recording: Recording, out: Output, heard: Heard) -> None:
        if isinstance(heard, Told):
            as_json = self._wanted.as_json
            out.finding(one_line_json(finding_object(heard)) if as_json else finding_line(heard))
        elif isinstance(heard, Happened):
            is_finding = missed_finding(heard.t_ns, heard.detail) is not None  # told as one
            if not is_finding and self._troubles.is_news(heard, recording.required):
                out.say(happened_line(heard))
        elif isinstance(heard, str):
            out.error(printable(heard))
        elif heard is None:
            out.error("the run is written again")
        else:
            out.error(printable(f"{heard.message}. {heard.mend}".strip()))

    def _found(self, told: Told) -> None:
        """A finding; called from the watching thread."""
        self._heard.put(told)
        if self._program is not None and not told.is_over:
            self._program.put(finding_object(told))


def _failed_at_first(recording: Recording) -> list[SourceState]:
    """Wait a little for the sources to be opened; those without which it is no recording."""
    until_s = time.monotonic() + AT_FIRST_S
    while time.monotonic() < until_s:
        if failed := recording.failed():
            return failed
        if all(state.state != "opening" for state in recording.source_states()):
            break
        time.sleep(TURN_S)
    return recording.failed()


def _not_opened(failed: list[SourceState]) -> DiagnosticError:
    """Why there is no recording."""
    lines = [f"{state.name} ({state.where}): {state.why}" for state in failed]
    return DiagnosticError("nothing is recorded: " + "\n".join(lines))
