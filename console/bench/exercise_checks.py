"""Reading an exercise: its steps held against the bench, with everything wrong told at once."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

from console.bench.conditions import Kind, condition, value_of
from console.bench.exercise import (
    MOST_DEEP,
    MOST_STEPS,
    Action,
    Capture,
    ExerciseFile,
    ExerciseTables,
    Expect,
    Number,
    Publish,
    Repeat,
    Step,
    Write,
    in_file,
    steps_in,
)
from console.bench.load import Content, file_content
from console.bench.model import Bench, MessagesSource, PrintsSource
from console.bench.placeholders import Value, bound, filled, names_in, names_within
from decoders.errors import DescriptionError, Place
from decoders.messages.topics import filter_problem
from decoders.toml_lines import Document, as_one, closest_hint, parse
from decoders.toml_scan import Path as Keys

EXERCISE = "exercise"  # the source its steps are events of
MOST_PAYLOAD_BYTES = 1 << 20
_SAMPLES: dict[str, Value] = {"text": "it's", "number": 1.5, "counter": 1}  # by what a name holds


def read_exercise(path: str | Path, bench: Bench, content: Content = file_content) -> ExerciseFile:
    """An exercise, checked against the bench it is for.

    Args:
        path: of the file.
        bench: whose sources it sends to and listens to.
        content: gives the file's bytes.

    Raises:
        DescriptionError: everything wrong, each with file, line and mend.
    """
    return load_exercise(content(Path(path), Place(str(path))), str(path), bench)


def load_exercise(text: str | bytes, name: str, bench: Bench) -> ExerciseFile:
    """An exercise of a file's content; see `read_exercise`."""
    document = parse(text, name)
    _check_depth(document)
    tables = document.convert((), ExerciseTables)
    check = _Check(document, bench)
    errors = [*check.about(tables), *check.steps(tables.steps, ("step",), _Scope())]
    if errors:
        raise as_one(errors)
    return ExerciseFile(
        name=tables.about.name,
        file=name,
        goes_on=tables.about.on_failure == "go on",
        steps=tuple(tables.steps),
        lines={n: document.place(_keys(n)).line or 1 for n, _ in in_file(tables.steps)},
        remarks=tuple(check.remarks),
    )


@dataclass(slots=True)
class _Scope:
    """The names that have a value at a step, and what they hold."""

    holds: dict[str, str] = field(default_factory=dict)  # text, number or counter
    expected: Expect | None = None  # the last print or message, in this group of steps

    def samples(self) -> dict[str, Value]:
        """Made-up values."""
        return {name: _SAMPLES[kind] for name, kind in self.holds.items()}

    def inside(self, counter: str) -> _Scope:
        """The scope of a repeat in this one; what is captured there is known after it too."""
        return _Scope({**self.holds, counter: "counter"})


class _Check:
    def __init__(self, document: Document, bench: Bench) -> None:
        self._document, self._bench = document, bench
        self._sources = {source.name: source for source in bench.sources}
        self._captured: dict[str, str] = {}  # what a name holds, in the whole file
        self.remarks: list[str] = []

    def about(self, tables: ExerciseTables) -> Iterator[DescriptionError]:
        """What is wrong with the whole."""
        wanted = tables.about.bench
        if wanted is not None and wanted != self._bench.name:
            words = f"this exercise is for the bench {wanted!r}, not {self._bench.name!r}"
            mend = "Give it the bench it was written for, or take the key out."
            yield self._document.error(("exercise", "bench"), words, mend)
        if EXERCISE in self._sources:
            words = f"a source of the bench is named {EXERCISE!r}, as the steps' own events are"
            yield self._document.error(("exercise",), words, "Give that source another name.")
        if not tables.steps:
            yield self._document.error(("step",), "there is no step", "Add a [[step]] table.")
        count = steps_in(tables.steps)
        if count > MOST_STEPS:
            words = f"with its repeats it has {count:,} steps, more than {MOST_STEPS:,}"
            yield self._document.error(("step",), words, "Repeat fewer times.")

    def steps(self, steps: Sequence[Step], path: Keys, scope: _Scope) -> Iterator[DescriptionError]:
        """What is wrong with a group of steps."""
        for k, step in enumerate(steps):
            at = (*path, k)
            if isinstance(step, Repeat):
                yield from self._repeat(step, at, scope)
            else:
                yield from self._action(step, at, scope)

    def _repeat(self, step: Repeat, at: Keys, scope: _Scope) -> Iterator[DescriptionError]:
        if step.counter in scope.holds:
            words = f"{step.counter!r} has a value here already"
            yield self._document.error((*at, "counter"), words, 'Name it: counter = "round".')
        if not step.steps:
            yield self._document.error(at, "nothing is repeated", "Add a [[step.step]] table.")
        inner = scope.inside(step.counter)
        yield from self.steps(step.steps, (*at, "step"), inner)
        del inner.holds[step.counter]
        scope.holds.update(inner.holds)
        scope.expected = None

    def _action(self, step: Action, at: Keys, scope: _Scope) -> Iterator[DescriptionError]:
        match step:
            case Publish():
                yield from self._publish(step, at, scope)
            case Write():
                yield from self._source(at, step.source, "write to")
                yield from self._text(at, "text", step.text or "", scope)
            case Expect():
                yield from self._expect(step, at, scope)
                scope.expected = None if step.event == "silence" else step
            case Capture():
                yield from self._capture(step, at, scope)

    def _publish(self, step: Publish, at: Keys, scope: _Scope) -> Iterator[DescriptionError]:
        yield from self._source(at, step.source, "publish to")
        wrong = list(self._text(at, "topic", step.topic, scope))
        yield from wrong
        problem = "" if wrong else topic_problem(filled(step.topic, dict.fromkeys(scope.holds, 1)))
        if problem:
            yield self._document.error((*at, "topic"), f"topic {step.topic!r}: {problem}")
        yield from self._names(at, "payload", step.payload, scope)
        if unsendable := _payload_problem(step.payload):
            yield self._document.error((*at, "payload"), unsendable)
        if step.retain:
            place = self._document.place((*at, "retain"))
            self.remarks.append(
                f"{place}: {step.topic} is retained: the broker gives it to everything that "
                "subscribes later, a restarted board too, until it is replaced"
            )

    def _expect(self, step: Expect, at: Keys, scope: _Scope) -> Iterator[DescriptionError]:
        if step.source is not None:
            yield from self._source(at, step.source, step.table)
        wrong = list(self._names(at, "where", step.where, scope))
        yield from wrong
        if wrong:
            return
        place = self._document.place((*at, "where"))
        try:
            condition(bound(step.where, scope.samples()), step.table, place)
        except ValueError as error:
            mend = "Write it as a value: fields.n = ${n}, text = 'gate ${gate}'."
            yield self._document.error((*at, "where"), f"where: {error}", mend)
        except DescriptionError as error:
            yield error

    def _capture(self, step: Capture, at: Keys, scope: _Scope) -> Iterator[DescriptionError]:
        if scope.expected is None:
            words = "there is nothing to capture from"
            mend = "Put it after an expect of a print or message, in the same group of steps."
            yield self._document.error(at, words, mend)
            return
        table = scope.expected.table
        try:
            value_of(table, step.value, Kind.TEXT, self._document.place((*at, "value")))
        except DescriptionError as error:
            yield error
        if step.pattern is not None and (problem := pattern_problem(step.pattern)):
            yield self._document.error((*at, "pattern"), f"pattern: {problem}")
        if scope.holds.get(step.name) == "counter":
            yield self._document.error((*at, "name"), f"{step.name!r} is a counter here")
        if self._captured.setdefault(step.name, step.as_) != step.as_:
            words = f"{step.name!r} is captured as {self._captured[step.name]} elsewhere"
            yield self._document.error((*at, "as"), words, "Use another name.")
        scope.holds.setdefault(step.name, step.as_)

    def _source(self, at: Keys, name: str, use: str) -> Iterator[DescriptionError]:
        """A source must be there, and be recorded from what can be used so."""
        wanted = MessagesSource if use in ("publish to", "messages") else PrintsSource
        key = "host" if wanted is MessagesSource else "port"
        source = self._sources.get(name)
        if source is None or not isinstance(source, wanted):
            fit = [s.name for s in self._bench.sources if isinstance(s, wanted)]
            kind = "messages" if key == "host" else "prints"
            words = f"no source named {name!r} of the bench gives {kind}"
            mend = closest_hint(name, fit, f"sources of {kind}") if fit else "It has none."
            yield self._document.error((*at, "source"), words, mend)
        elif getattr(source, key) is None:
            words = f"source {name!r} is a file: it has no {key} to {use.removesuffix(' to')} to"
            if use in ("messages", "prints"):
                words = f"source {name!r} is a file: nothing new comes from it"
            mend = f"Give it {key} = ... in the bench file."
            yield self._document.error((*at, "source"), words, mend)

    def _text(self, at: Keys, key: str, text: str, scope: _Scope) -> Iterator[DescriptionError]:
        yield from self._names(at, key, text, scope)
        if any(0xD800 <= ord(char) < 0xE000 for char in text):
            yield self._document.error((*at, key), f"{key} holds half a character")

    def _names(self, at: Keys, key: str, data: Any, scope: _Scope) -> Iterator[DescriptionError]:
        """Every name must have a value by then."""
        try:
            names = names_within(data) if not isinstance(data, str) else names_in(data)
        except ValueError as error:
            yield self._document.error((*at, key), f"{key}: {error}")
            return
        for name in dict.fromkeys(names):
            if name not in scope.holds:
                words = f"{key}: nothing was captured as {name!r} by then"
                mend = closest_hint(name, scope.holds, "here") if scope.holds else ""
                mend = mend or "Put a capture step before it; ${n} counts inside a repeat."
                yield self._document.error((*at, key), words, mend)


def topic_problem(topic: str) -> str:
    """Why a text is no topic of a message (MQTT 3.1.1 section 4.7), or ""."""
    if "+" in topic or "#" in topic:
        return "a message has one topic, without + and #"
    return filter_problem(topic).replace("topic filter", "topic")


def pattern_problem(pattern: str) -> str:
    """Why a text is no pattern with a group, or "". What reads it takes linear time."""
    try:
        pl.Series([""]).str.extract(pattern, 1)
        groups = pl.Series([""]).str.extract_groups(pattern)
    except pl.exceptions.PolarsError as error:
        lines = [line.strip() for line in str(error).split("\n") if line.startswith("error:")]
        return (lines or ["it cannot be read"])[0].removeprefix("error: ")
    is_struct = isinstance(groups.dtype, pl.Struct)
    return "" if is_struct and groups.struct.fields else "it has no group in parentheses"


def _payload_problem(payload: Any) -> str:
    """Why a payload cannot be sent, or ""."""
    if not isinstance(payload, str) and not _is_json(payload):
        return "payload holds what JSON cannot: nan, inf, or a date or time without quotes"
    text = payload if isinstance(payload, str) else json.dumps(payload)
    if len(text.encode("utf-8", "surrogatepass")) > MOST_PAYLOAD_BYTES:
        return f"payload is larger than {MOST_PAYLOAD_BYTES >> 20} MB"
    return ""


def _is_json(data: Any) -> bool:
    if isinstance(data, dict):
        return all(map(_is_json, data.values()))
    if isinstance(data, list):
        return all(map(_is_json, data))
    return isinstance(data, str | int) or (isinstance(data, float) and math.isfinite(data))


def _check_depth(document: Document) -> None:
    """Refuse repeats in too many repeats, before anything goes down into them."""
    level: list[tuple[Keys, Any]] = [((), document.data)]
    for _ in range(MOST_DEEP + 1):
        level = [
            ((*path, "step", k), row)
            for path, table in level
            for k, row in enumerate(_rows_of(table))
        ]
    if level:
        words = f"repeats stand more than {MOST_DEEP} deep in each other"
        raise document.error(level[0][0], words, "Say times = ... of one of them instead.")


def _rows_of(table: Any) -> list[Any]:
    rows = table.get("step") if isinstance(table, dict) else None
    return rows if isinstance(rows, list) else []


def _keys(number: Number) -> Keys:
    """Where a step stands in the document."""
    return tuple(key for n in number for key in ("step", n - 1))
