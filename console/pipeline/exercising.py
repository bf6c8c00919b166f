"""An exercise as it goes: a fold from what came, and the time, to what is sent and what was missed.

It opens nothing and reads no clock. `feed` takes rows, `sent` how a sending went, `at` the time:
until when everything that came is known. A step begins at the time the one before it ended, which
is that of the event it was met by, so that no look at it too late makes it longer. Each step has a
time after which it is missed, so it always ends: after the sum of those times, and a second for
each sending nobody has told the outcome of.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from console.bench.conditions import Condition, condition
from console.bench.exercise import (
    Capture,
    Coming,
    ExerciseFile,
    Expect,
    Publish,
    Wait,
    Write,
    in_turn,
)
from console.bench.placeholders import Value, bound
from console.pipeline.exercise_heard import Heard, Hearing
from console.pipeline.exercise_steps import (
    StepError,
    asks_for,
    captured,
    expected_words,
    outgoing,
    place_words,
    row_words,
    sending_words,
    step_words,
)
from console.sources.sender import Outgoing
from console.watch.exercised import missed_finding, missed_words
from console.watch.findings import Finding, counted
from decoders.durations import in_words
from decoders.errors import DiagnosticError

UNTOLD_NS = 1_000_000_000  # after its time-out, for word of how a sending went
MOST_TOLD = 1000  # things missed that are told one by one; the others are counted
_AT_ONCE = 1000  # steps in one call of `at`


@dataclass(frozen=True, slots=True)
class Sending:
    """What is to be sent now; `sent` is to be told how it went."""

    number: int  # of the sending, from 1
    what: Outgoing
    timeout_ns: int


@dataclass(slots=True)
class Doing:
    """What one look came to."""

    notes: list[str] = field(default_factory=list)  # events of the exercise, for people
    send: Sending | None = None
    findings: list[Finding] = field(default_factory=list)  # as a run's rules find them in the notes


class Exercise:
    """A fold over what came to the end of the exercise.

    Args:
        file: the exercise.
        start_ns: when it begins, on the host's clock.

    Attributes:
        is_over: whether nothing is to be done any more.
        end: why it is over, for people.
        missed: how many steps were.
    """

    def __init__(self, file: ExerciseFile, start_ns: int) -> None:
        self.is_over = False
        self.end = ""
        self.missed = 0
        self._file = file
        self._coming = in_turn(file.steps)
        self._hearing = Hearing()
        self._values: dict[str, Value] = {}
        self._now: Coming | None = None
        self._begin_ns = self._since_ns = self._known_ns = start_ns
        self._number = 0  # of the last sending
        self._asked_ns: int | None = None  # when it was asked for, while its outcome is not known
        self._outcome: tuple[int, int, str] | None = None
        self._last_sent = ""  # in words
        self._where: Condition | None = None  # of the step now
        self._looked = 0  # rows the step now has looked at
        self._found: Heard | None = None  # what the last expect found
        self._done = self._skipped = 0

    def feed(self, tables: Mapping[str, pl.DataFrame]) -> None:
        """Take the next rows of `prints` and `messages`."""
        if not self.is_over:
            self._hearing.feed(tables)

    def sent(self, number: int, began_ns: int, ended_ns: int, trouble: str = "") -> None:
        """How a sending went.

        Args:
            number: of the sending; one that was given up is passed over.
            began_ns: nothing of it was sent before.
            ended_ns: when it was done, or had failed.
            trouble: why it failed.
        """
        if self._asked_ns is not None and number == self._number:
            self._outcome = (began_ns, ended_ns, trouble)

    def at(self, known_ns: int) -> Doing:
        """Go on.

        Args:
            known_ns: nothing stamped earlier is still to be fed.
        """
        self._known_ns = max(self._known_ns, known_ns)
        doing = Doing()
        for _ in range(_AT_ONCE):
            if self.is_over or not self._step(doing):
                break
        return doing

    def stop(self, why: str) -> None:
        """Do nothing more."""
        self._over(why)

    def _step(self, doing: Doing) -> bool:
        """Begin a step or go on with it; whether there may be more to do at once."""
        if self._now is None:
            self._now = next(self._coming, None)
            if self._now is None:
                self._over("done")
                return False
            return self._begin(self._now, doing)
        match self._now.step:
            case Publish() | Write():
                return self._send(self._now, doing)
            case Expect() as step:
                silent = step.event == "silence"
                return (self._stays_silent if silent else self._expects)(step, doing)
            case Wait() as step:
                return self._wait(step)
            case Capture() as step:
                return self._capture(step, doing)

    def _begin(self, coming: Coming, doing: Doing) -> bool:
        """Begin a step, or pass it over where what it needs was not captured."""
        step, values = coming.step, self._all_values()
        unset = [name for name in asks_for(step) if name not in values]
        if unset or (isinstance(step, Capture) and self._found is None):
            if isinstance(step, Capture):
                self._values.pop(step.name, None)
            why = f"nothing was captured as {unset[0]}" if unset else "nothing was found before it"
            self._tell(f"skipped: {step_words(step)}, since {why}", doing)
            self._skipped += 1
            self._now = None
            return True
        self._looked, self._where = 0, None
        if isinstance(step, Expect):
            self._found = None
            try:
                self._where = condition(bound(step.where, values), step.table)
            except (ValueError, DiagnosticError) as error:
                self._miss(f"the condition cannot be held: {error}", doing)
        return True

    def _send(self, coming: Coming, doing: Doing) -> bool:
        step = coming.step
        assert isinstance(step, Publish | Write)
        if self._asked_ns is None:
            return self._ask(step, doing)
        if self._outcome is None:
            if self._known_ns <= self._asked_ns + step.timeout_ns + UNTOLD_NS:
                return False
            self._miss("nobody tells whether it was sent", doing, self._known_ns)
            return True
        began_ns, ended_ns, trouble = self._outcome
        if trouble:
            self._miss(f"was not sent: {trouble}", doing, ended_ns)
            return True
        self._bar(began_ns)
        self._finish(ended_ns)
        return True

    def _ask(self, step: Publish | Write, doing: Doing) -> bool:
        try:
            what = outgoing(step, self._all_values())
        except StepError as error:
            self._last_sent = ""
            self._miss(f"cannot be sent: {error.words}", doing)
            return True
        self._number += 1
        self._asked_ns, self._outcome = self._known_ns, None
        self._last_sent = sending_words(what)
        self._tell(self._last_sent, doing)
        doing.send = Sending(self._number, what, step.timeout_ns)
        return False

    def _expects(self, step: Expect, doing: Doing) -> bool:
        """Look for a print or message."""
        until_ns = self._begin_ns + step.within_ns
        found = self._look(step, self._since_ns, until_ns)
        if found is not None:
            self._found = found
            self._hearing.use(found)
            after = in_words(found.t_ns - self._since_ns)
            self._tell(f"met after {after}: {row_words(found.values)}", doing)
            self._finish(max(self._begin_ns, found.t_ns))
            return True
        if self._known_ns <= until_ns:
            return False
        self._miss(f"{self._expected(step)} did not come", doing, until_ns)
        return True

    def _stays_silent(self, step: Expect, doing: Doing) -> bool:
        """Look for what must not come."""
        until_ns = self._begin_ns + step.within_ns
        found = self._look(step, self._begin_ns + 1, until_ns)
        if found is not None:
            after = in_words(found.t_ns - self._begin_ns)
            words = f"{self._expected(step)}, but after {after} came {row_words(found.values)}"
            self._miss(words, doing, found.t_ns)
            return True
        if self._known_ns <= until_ns:
            return False
        self._tell(f"met: {self._expected(step)}", doing)
        self._finish(until_ns)
        return True

    def _look(self, step: Expect, from_ns: int, until_ns: int) -> Heard | None:
        assert self._where is not None
        looked, self._looked = self._looked, self._hearing.count
        return self._hearing.first(self._where, step.source, from_ns, until_ns, looked)

    def _wait(self, step: Wait) -> bool:
        until_ns = self._begin_ns + step.for_ns
        if self._known_ns < until_ns:
            return False
        self._bar(until_ns)
        self._finish(until_ns)
        return True

    def _capture(self, step: Capture, doing: Doing) -> bool:
        assert self._found is not None
        try:
            value = captured(step, self._found.table, self._found.row)
        except StepError as error:
            self._values.pop(step.name, None)
            self._miss(f"{step_words(step)}: {error.words}", doing)
            return True
        self._values[step.name] = value
        self._finish(self._begin_ns)
        return True

    def _all_values(self) -> dict[str, Value]:
        counters = {} if self._now is None else self._now.counters
        return {**self._values, **counters}

    def _bar(self, t_ns: int) -> None:
        """What came before is not expected any more."""
        self._since_ns = t_ns
        self._hearing.forget(t_ns)

    def _finish(self, end_ns: int) -> None:
        """The step ended then; the next begins."""
        self._begin_ns = max(self._begin_ns, end_ns)
        self._now, self._asked_ns, self._outcome = None, None, None
        self._done += 1

    def _miss(self, words: str, doing: Doing, end_ns: int | None = None) -> None:
        """Tell what was missed, and end the exercise or the step."""
        assert self._now is not None
        end_ns = self._begin_ns if end_ns is None else end_ns
        summary = f"{self._place()}: {words}"
        if self._last_sent and isinstance(self._now.step, Expect):
            summary += f" (after: {self._last_sent})"
        self.missed += 1
        if self.missed <= MOST_TOLD:
            detail = missed_words(summary, self._file.name, self._evidence(end_ns))
            doing.notes.append(detail)
            finding = missed_finding(end_ns, detail)
            doing.findings += [] if finding is None else [finding]
        self._finish(end_ns)
        self._done -= 1
        if not self._file.goes_on:
            self._over("stopped at what was missed")

    def _evidence(self, end_ns: int) -> dict[str, Any]:
        assert self._now is not None
        step = self._now.step
        found: dict[str, Any] = {
            "step": ".".join(map(str, self._now.number)),
            "file": self._file.file,
            "line": self._file.lines.get(self._now.number),
            "repetition": dict(self._now.counters),
            "note": step.note,
            "sent": self._last_sent,
            "waited_ns": max(0, end_ns - self._begin_ns),
        }
        if isinstance(step, Expect):
            where = "" if self._where is None else self._where.text
            found |= {"expected": self._expected(step), "table": step.table, "where": where}
            found["within_ns"] = step.within_ns
        return found

    def _expected(self, step: Expect) -> str:
        """What is expected, with what was captured in its place."""
        return expected_words(step, None if self._where is None else self._where.text)

    def _tell(self, words: str, doing: Doing) -> None:
        doing.notes.append(f"{self._place()}: {words}")

    def _place(self) -> str:
        """The step now, for people."""
        assert self._now is not None
        note = f" ({self._now.step.note})" if self._now.step.note else ""
        return f"{place_words(self._now.number, self._now.counters)}{note}"

    def _over(self, why: str) -> None:
        if self.is_over:
            return
        self.is_over = True
        parts = [f"{why}: {counted(self._done, 'step')} done", f"{self.missed:,} missed"]
        if self._skipped:
            parts.append(f"{self._skipped:,} skipped")
        self.end = ", ".join(parts)
