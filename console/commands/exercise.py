"""The exercise of `lastack record`: shown first, sent only if that was asked for and confirmed.

This is the one place where the right to send is made.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import click

from console.bench.exercise import ExerciseFile, Publish, Repeat, Step, Write
from console.bench.exercise_checks import read_exercise
from console.bench.load import read_bench
from console.bench.model import Bench, MessagesSource, PrintsSource
from console.pipeline.exercise_run import ExerciseRun, run_over
from console.pipeline.exercise_steps import template_words
from console.pipeline.recording import Recording
from console.printable import printable_block
from console.sources.broker_words import where
from console.sources.transmit import Transmit
from console.watch.findings import counted
from decoders.errors import DiagnosticError

CAUTION = """\
Caution: what is sent may start motors, valves and other actuators at any step. Keep clear of
them and cut their power first unless they are meant to move. Follow the parts' data sheets,
local codes and licensed practice."""
AFTER_S = 2.0  # recorded behind the last step: what came too late is seen then


@dataclass(slots=True)
class Exercising:
    """An exercise that was confirmed.

    Attributes:
        right: to send; `end` takes it back, and nothing is sent any more.
    """

    file: ExerciseFile
    right: Transmit
    _run: ExerciseRun | None = None
    _over_s: float | None = None  # monotonic: when it was first seen to be over

    def begin(self, recording: Recording) -> None:
        """Begin it over a recording that is about to be started."""
        self._run = run_over(recording, self.file, self.right)
        self._run.start()

    def stop(self) -> None:
        """Send nothing more, and end."""
        self.right.end()
        if self._run is not None:
            self._run.stop()

    @property
    def is_done(self) -> bool:
        """Whether it is over, and what may have come too late is there."""
        if self._run is None or not self._run.is_over:
            return False
        if self._over_s is None:
            self._over_s = time.monotonic()
        return time.monotonic() - self._over_s > AFTER_S


def confirmed(bench: str, path: str, *, transmit: bool, yes: bool) -> Exercising:
    """An exercise that may be sent; it is shown before.

    Args:
        bench: path of the bench file.
        path: of the exercise.
        transmit: whether the command line asks for it to be sent.
        yes: whether it is confirmed already.

    Raises:
        DiagnosticError: what is wrong with either file, or that it is not to be sent.
    """
    benched = read_bench(bench).bench
    file = read_exercise(path, benched)
    text = printable_block("\n".join(shown(file, benched)))
    if not transmit:
        click.echo(text)
        raise _not_sent("nothing was sent: --transmit was not given", "Add --transmit to send it.")
    click.echo(f"{text}\n\n{CAUTION}", err=True)
    if not yes:
        _ask()
    return Exercising(file, Transmit())


def _ask() -> None:
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        words = "nothing was sent: there is no terminal to confirm it on"
        raise _not_sent(words, "Read what it sends, then add --yes.")
    if not click.confirm("Send this?", default=False, err=True):
        raise _not_sent("nothing was sent: it was not confirmed", "")


def _not_sent(words: str, mend: str) -> DiagnosticError:
    return DiagnosticError(words, mend=mend)


def shown(file: ExerciseFile, bench: Bench) -> list[str]:
    """Every distinct thing an exercise would send, and where; not cleaned."""
    after = "goes on" if file.goes_on else "stops"
    lines = [f"exercise {file.name}: {counted(file.count, 'step')}; when one is missed it {after}"]
    times: Counter[tuple[str, str]] = Counter()
    for step, n in _sendings(file.steps):
        times[step.source, template_words(step)] += n
    for name in dict.fromkeys(source for source, _ in times):
        lines.append(f"to {name} ({place_of(bench, name)}):")
        of_source = [(words, n) for (source, words), n in times.items() if source == name]
        lines += [f"  {n:>9,} x  {words}" for words, n in of_source]
    if not times:
        lines.append("it sends nothing")
    if any("${" in words for _, words in times):
        lines.append("(${n} counts; other names stand for what is captured on the way)")
    return [*lines, *file.remarks]


def place_of(bench: Bench, name: str) -> str:
    """Where a source is, for people; holds no secret."""
    for source in bench.sources:
        if source.name == name and isinstance(source, MessagesSource):
            return f"{where(source)}, MQTT {source.protocol}{', TLS' if source.tls else ''}"
        if source.name == name and isinstance(source, PrintsSource):
            return f"{source.port}" + (f" at {source.baud} baud" if source.baud else "")
    return ""


def _sendings(steps: Sequence[Step], times: int = 1) -> Iterator[tuple[Publish | Write, int]]:
    """Every step that sends, and how often it does."""
    for step in steps:
        if isinstance(step, Repeat):
            yield from _sendings(step.steps, times * step.times)
        elif isinstance(step, Publish | Write):
            yield step, times
