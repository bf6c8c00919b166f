"""JSON payloads whose shape changes at one instant: a key goes or comes, or has another type.

Which keys a topic's payloads have, and of what type they are, is kept as shapes; of each shape the
first and last message and how many had it. A key that all messages had up to one of them and none
from there on has gone; keys that come and go, as optional ones do, are no matter of this rule. What
is inside an array does not count, as arrays may be empty.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec
import polars as pl

from console.watch.findings import Finding, Severity
from console.watch.names import Names
from console.watch.rule import Batch, Words

RULE = "payload-shape"
FEWEST = 5  # messages before and behind the change
MOST_SHAPES = 64  # of a topic; one with more has no shape that could drift
MOST_TOPICS = 4_096
NEAR_NS = 10_000_000_000  # a print or happening so long before a change may have to do with it

Element = tuple[str, str]  # dotted path, type
Shape = frozenset[Element]

# JSON text to its skeleton: keys kept, of values nothing but the type.
_STRING = r'"(?:[^"\\]|\\.)*"'
_KEY_BEGINS, _KEY_ENDS = "\x01", "\x02"
_STEPS = (
    (r'"((?:[^"\\]|\\.)*)"\s*:', f"{_KEY_BEGINS}${{1}}{_KEY_ENDS}:"),
    (_STRING, '""'),
    (r"([:\[,]\s*)-?\d[\d.eE+-]*", "${1}0"),
    (r"([:\[,]\s*)(?:true|false)", "${1}true"),
    (r"0(?:\s*,\s*0)+", "0"),
    (r'""(?:\s*,\s*"")+', '""'),
)
_TELLING = r"(?i)\b(?:boot\w*|reset|restart\w*|start(?:ed|ing)|version|firmware|v?\d+\.\d+\.\d+)\b"


@dataclass(slots=True)
class _Seen:
    """One shape of one topic."""

    first: int  # number of its first message among those of the topic
    first_ns: int
    beside: str  # what was printed or happened just before that
    last: int = 0
    last_ns: int = 0
    count: int = 0


@dataclass(slots=True)
class _Topic:
    messages: int = 0
    shapes: dict[Shape, _Seen] = field(default_factory=dict)
    shapeless: bool = False


@dataclass(slots=True)
class _Change:
    """What came and went with one message."""

    seen: _Seen
    before: int
    behind: int
    gone: list[Element] = field(default_factory=list)
    come: list[Element] = field(default_factory=list)


class PayloadShape:
    """A fold to topics whose payloads change their shape, one finding a topic and instant."""

    def __init__(self, names: Names, *, severity: Severity = "warning") -> None:
        self._names = names
        self._severity: Severity = severity
        self._words = Words(0)
        self._topics: dict[tuple[str, str], _Topic] = {}  # by source and topic
        self._telling: list[tuple[int, str]] = []  # the last print and happening worth telling

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end."""
        messages = batch.messages_once().filter(~pl.col("retain").fill_null(value=False))
        events = [*self._telling, *_telling(batch)]
        if messages.height:
            self._take(messages, events)
        self._telling = events[-1:]
        return []

    def _take(self, messages: pl.DataFrame, events: Sequence[tuple[int, str]]) -> None:
        rows = messages.select(
            "source", "topic", "t_ns", skeleton=_skeleton(pl.col("fields"))
        ).with_columns(n=pl.int_range(pl.len()).over("source", "topic"))
        shapes = rows.group_by("source", "topic", "skeleton", maintain_order=True).agg(
            first=pl.col("n").min(),
            last=pl.col("n").max(),
            first_ns=pl.col("t_ns").first(),
            last_ns=pl.col("t_ns").last(),
            count=pl.len(),
        )
        for row in shapes.iter_rows(named=True):
            key = (str(row["source"]), str(row["topic"]))
            if key in self._topics or len(self._topics) < MOST_TOPICS:
                self._count(self._topics.setdefault(key, _Topic()), row, events)
        for source, topic, count in rows.group_by("source", "topic").len().iter_rows():
            if (known := self._topics.get((str(source), str(topic)))) is not None:
                known.messages += count

    def _count(self, topic: _Topic, row: dict[str, Any], events: Sequence[tuple[int, str]]) -> None:
        if topic.shapeless:
            return
        shape = shape_of(row["skeleton"])
        first = topic.messages + row["first"]
        seen = topic.shapes.get(shape)
        if seen is None or first < seen.first:
            near = [
                words for t, words in events if row["first_ns"] - NEAR_NS <= t <= row["first_ns"]
            ]
            fresh = _Seen(first, row["first_ns"], near[-1] if near else "")
            if seen is not None:  # of one batch, by another skeleton
                fresh.last, fresh.last_ns, fresh.count = seen.last, seen.last_ns, seen.count
            seen = topic.shapes[shape] = fresh
        last = topic.messages + row["last"]
        if last >= seen.last:
            seen.last, seen.last_ns = last, row["last_ns"]
        seen.count += row["count"]
        topic.shapeless = len(topic.shapes) > MOST_SHAPES

    def finish(self, until_ns: int) -> list[Finding]:
        """Return one finding for each topic and instant at which its shape changed."""
        return [
            self._finding(source, name, change)
            for (source, name), topic in self._topics.items()
            if not topic.shapeless
            for change in _changes(topic)
        ]

    def _finding(self, source: str, topic: str, change: _Change) -> Finding:
        what = ", ".join(_in_words(change))
        summary = f"{topic}: from {self._words.at(change.seen.first_ns)} on {what}"
        if change.seen.beside:
            summary += f"; just before: {change.seen.beside}"
        evidence = {
            "topic": topic,
            "problem": what,
            "gone": [list(each) for each in change.gone],
            "come": [list(each) for each in change.come],
            "messages_before": change.before,
            "messages_since": change.behind,
            "just_before": change.seen.beside,
        }
        first_ns = change.seen.first_ns
        return Finding(first_ns, RULE, self._severity, source, source, summary, evidence)


def _telling(batch: Batch) -> list[tuple[int, str]]:
    """Prints and happenings of a batch that may have to do with another shape, by time."""
    prints = batch.table("prints").filter(pl.col("text").str.contains(_TELLING))
    happened = batch.table("happenings")
    found = [
        (int(t), f"{source}: {text}")
        for t, source, text in prints.select("t_ns", "source", "text").iter_rows()
        if source not in batch.off_axis
    ]
    found += [
        (int(t), f"{source} {what}")
        for t, source, what in happened.select("t_ns", "source", "what").iter_rows()
    ]
    return sorted(found)


def _skeleton(fields: pl.Expr) -> pl.Expr:
    """JSON texts with their values taken out; empty where a payload is no JSON."""
    for pattern, into in _STEPS:
        fields = fields.str.replace_all(pattern, into)
    return fields.fill_null("")


def shape_of(skeleton: str) -> Shape:
    """The keys of a skeleton with their types."""
    text = skeleton.replace(_KEY_BEGINS, '"').replace(_KEY_ENDS, '"')
    if not text:
        return frozenset({("", "no JSON")})
    try:
        whole = msgspec.json.decode(text)
    except msgspec.DecodeError:
        return frozenset({("", "something else")})
    return frozenset(_elements(whole, ""))


def _elements(value: object, path: str) -> Iterator[Element]:
    match value:
        case dict():
            yield path, "object"
            for key, inner in value.items():
                yield from _elements(inner, f"{path}.{key}" if path else str(key))
        case bool():
            yield path, "true or false"
        case int() | float():
            yield path, "number"
        case str():
            yield path, "text"
        case list():
            yield path, "array"
        case _:
            yield path, "null"


def _changes(topic: _Topic) -> list[_Change]:
    """What came and what went for good, by the message with which it did."""
    found: dict[int, _Change] = {}
    every = frozenset().union(*topic.shapes) if topic.shapes else frozenset()
    for element in sorted(every):
        having = [seen for shape, seen in topic.shapes.items() if element in shape]
        lacking = [seen for shape, seen in topic.shapes.items() if element not in shape]
        if not lacking:
            continue
        for earlier, later, is_gone in ((having, lacking, True), (lacking, having, False)):
            first = min(later, key=lambda seen: seen.first)
            before, behind = (sum(s.count for s in side) for side in (earlier, later))
            if max(s.last for s in earlier) > first.first or min(before, behind) < FEWEST:
                continue
            change = found.setdefault(first.first, _Change(first, before, behind))
            (change.gone if is_gone else change.come).append(element)
    return [found[k] for k in sorted(found)]


def _in_words(change: _Change) -> Iterator[str]:
    """`level is text and was number`, `unit is gone`."""
    came = dict(change.come)
    went = dict(change.gone)
    for path, kind in change.gone:
        name = path or "the payload"
        yield f"{name} is {came[path]} and was {kind}" if path in came else f"{name} is gone"
    for path, kind in change.come:
        if path not in went:
            yield f"{path or 'the payload'} is new ({kind})"
