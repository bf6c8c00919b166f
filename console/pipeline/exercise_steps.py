"""Steps of an exercise with what was captured in its place: what is sent, and words for all of it.

What was captured is data: it cannot end a line that is written and begin another, and it cannot
become levels or wildcards of a topic.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Mapping
from typing import Any

import polars as pl

from console.bench.conditions import Kind, value_of
from console.bench.exercise import (
    Action,
    Capture,
    Expect,
    Number,
    Publish,
    Step,
    Wait,
    Write,
)
from console.bench.exercise_checks import MOST_PAYLOAD_BYTES, topic_problem
from console.bench.placeholders import (
    Value,
    Values,
    filled,
    filled_within,
    names_in,
    names_within,
)
from console.sources.sender import Outgoing, Publication, Written
from decoders.durations import in_words

MOST_SHOWN = 200  # characters of what is sent or found
_MOST_CAPTURED = 4096  # characters
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?([eE][+-]?\d{1,3})?", re.ASCII)
_MOST_WHOLE = 2**63


class StepError(Exception):
    """A step cannot be done with what was captured.

    Args:
        words: why, for people.
    """

    def __init__(self, words: str) -> None:
        super().__init__(words)
        self.words = words


def asks_for(step: Action) -> list[str]:
    """The names a step needs values of."""
    match step:
        case Publish():
            return [*names_in(step.topic), *names_within(step.payload)]
        case Write():
            return names_in(step.text or "")
        case Expect():
            return names_in(step.where)
    return []


def outgoing(step: Publish | Write, values: Values) -> Outgoing:
    """What a step sends.

    Raises:
        StepError: if it cannot be sent with these values.
        UnsetError: if a name has no value.
    """
    if isinstance(step, Publish):
        return _publication(step, values)
    if step.text is None:
        return Written(step.source, step.hex_bytes + step.ending_bytes)
    for name in names_in(step.text):
        _refuse_controls(name, values)
    return Written(step.source, _encoded(filled(step.text, values)) + step.ending_bytes)


def _publication(step: Publish, values: Values) -> Publication:
    for name in names_in(step.topic):
        _refuse_controls(name, values)
        if any(char in "/+#" for char in str(values.get(name, ""))):
            raise StepError(
                f"{name} holds {values[name]!r}, which cannot be in one level of a topic"
            )
    topic = filled(step.topic, values)
    if problem := topic_problem(topic):
        raise StepError(f"topic {topic[:MOST_SHOWN]!r}: {problem}")
    data = filled_within(step.payload, values)
    text = data if isinstance(data, str) or isinstance(step.payload, str) else _json(data)
    payload = _encoded(str(text))
    if len(payload) > MOST_PAYLOAD_BYTES:
        raise StepError(f"payload is larger than {MOST_PAYLOAD_BYTES >> 20} MB")
    return Publication(step.source, topic, payload, step.qos, step.retain)


def captured(step: Capture, table: str, row: pl.DataFrame) -> Value:
    """What a step captures from a row.

    Args:
        step: the step.
        table: whose row.
        row: it alone.

    Raises:
        StepError: if there is no such value in it.
    """
    found = value_of(table, step.value, Kind.TEXT).column(row).cast(pl.String)
    if step.pattern is not None:
        found = found.str.extract(step.pattern, 1)
    text = found[0]
    if text is None:
        how = f" with {step.pattern!r} in it" if step.pattern else ""
        raise StepError(f"there is no {step.value}{how}")
    if len(text) > _MOST_CAPTURED:
        raise StepError(f"{step.value} has {len(text)} characters, more than {_MOST_CAPTURED}")
    return _number(text, step.value) if step.as_ == "number" else str(text)


def _number(text: str, name: str) -> int | float:
    if not _NUMBER.fullmatch(text.strip()):
        raise StepError(f"{name} is no number but {text[:MOST_SHOWN]!r}")
    number = float(text)
    if re.fullmatch(r"[+-]?\d{1,19}", text.strip()) and abs(int(text)) < _MOST_WHOLE:
        return int(text)
    if number in (float("inf"), float("-inf")):
        raise StepError(f"{name} is too large a number: {text[:MOST_SHOWN]}")
    return number


def sending_words(what: Outgoing) -> str:
    """What is sent where, for people; not cleaned."""
    if isinstance(what, Publication):
        payload = shortened(what.payload.decode("utf-8", "backslashreplace"))
        return publish_words(what.source, what.topic, payload, what.qos, retain=what.retain)
    return f"write {_bytes_words(what.data)} to {what.source}"


def template_words(step: Publish | Write) -> str:
    """The same of a step before anything was captured, in full."""
    if isinstance(step, Publish):
        text = step.payload if isinstance(step.payload, str) else _json(step.payload)
        return publish_words(step.source, step.topic, text, step.qos, retain=step.retain)
    data = step.hex_bytes if step.text is None else step.text.encode("utf-8", "replace")
    return f"write {_bytes_words(data + step.ending_bytes, whole=True)} to {step.source}"


def publish_words(source: str, topic: str, payload: str, qos: int, *, retain: bool) -> str:
    """`publish capline/x {"n": 1} to broker, QoS 1, retained`."""
    kept = ", retained" if retain else ""
    return f"publish {topic} {payload} to {source}, QoS {qos}{kept}"


def expected_words(step: Expect, where: str | None = None) -> str:
    """What is expected, for people.

    Args:
        step: the step.
        where: its condition with what was captured in its place; None: as the file has it.
    """
    where = step.where if where is None else where
    whose = f" of {step.source}" if step.source else ""
    such = f" where {where}" if where else ""
    within = in_words(step.within_ns)
    if step.event == "silence":
        return f"no {step.of}{whose}{such} for {within}"
    return f"a {step.event}{whose}{such} within {within}"


def step_words(step: Step) -> str:
    """A step that sends nothing, for people."""
    match step:
        case Expect():
            return f"expect {expected_words(step)}"
        case Wait():
            return f"wait {in_words(step.for_ns)}"
        case Capture():
            return f"capture {step.value} as {step.name}"
        case Publish() | Write():
            return template_words(step)
    return f"repeat {step.times} times"


def place_words(number: Number, counters: Mapping[str, int]) -> str:
    """`step 3.1, n 7`."""
    counted = "".join(f", {name} {value}" for name, value in counters.items())
    return f"step {'.'.join(map(str, number))}{counted}"


def row_words(values: Mapping[str, Any]) -> str:
    """A print or message that was found, for people; not cleaned."""
    if "text" in values:
        return f"{values['source']} {shortened(str(values['text']))}"
    return f"{values['topic']} {shortened(str(values['payload']))}"


def shortened(text: str) -> str:
    """A text, or the beginning of a long one."""
    if len(text) <= MOST_SHOWN:
        return text
    return f"{text[:MOST_SHOWN]}.. ({len(text):,} characters)"


def _bytes_words(data: bytes, *, whole: bool = False) -> str:
    """Bytes as the text they are, with escapes, or in hex; all of them where `whole`."""
    try:
        text = data.decode("utf-8")
        is_text = all(unicodedata.category(c) != "Cc" or c in "\t\r\n" for c in text)
    except UnicodeDecodeError:
        is_text = False
    said = json.dumps(text, ensure_ascii=False) if is_text else data.hex(" ").upper()
    return said if whole else shortened(said)


def _json(data: Any) -> str:
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"))


def _encoded(text: str) -> bytes:
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError:
        raise StepError("it holds half a character, which UTF-8 cannot say") from None


def _refuse_controls(name: str, values: Values) -> None:
    """A line feed in what was captured would end the line, and begin a command of its own."""
    if any(unicodedata.category(char) == "Cc" for char in str(values.get(name, ""))):
        raise StepError(f"{name} holds control characters: {values[name]!r}")
