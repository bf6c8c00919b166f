"""Payloads that do not fit the JSON Schema of their topic, told once a topic and kind of misfit."""

from __future__ import annotations

import copy
import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from console.bench.topic_schema import TopicSchema
from console.watch.findings import Finding, Tally
from console.watch.rule import Batch, Words
from decoders.messages.topics import TopicFilter

RULE = "payload-schema"
MOST_KINDS = 32  # of misfits told of one topic


@dataclass(slots=True)
class _Misfits:
    words: str
    tally: Tally = field(default_factory=Tally)


class PayloadSchema:
    """A fold to the payloads of one `[[topic]]` that do not fit its schema.

    Args:
        topic: the filter, and the schema as JSON text.
    """

    def __init__(self, topic: TopicSchema) -> None:
        from jsonschema.validators import Draft202012Validator, validator_for
        from referencing import Registry

        schema = json.loads(topic.schema)
        kind = validator_for(schema, default=Draft202012Validator)
        self._validator: Any = kind(schema, registry=Registry())  # which fetches nothing
        self._filter = TopicFilter(topic.filter)
        self._topics: dict[tuple[str, str], int] = {}  # by source and topic: messages
        self._found: dict[tuple[str, str, str], _Misfits] = {}
        self._words = Words(0)

    def __deepcopy__(self, memo: dict[int, object]) -> PayloadSchema:
        copied = copy.copy(self)  # the validator never changes
        copied._topics = dict(self._topics)
        copied._found = copy.deepcopy(self._found, memo)
        return copied

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        messages = batch.messages_once().select("t_ns", "source", "topic", "payload")
        topics = messages["topic"].unique().drop_nulls()
        mine = [topic for topic in topics if self._filter.matches(topic)]
        parts = messages.filter(pl.col("topic").is_in(mine)).partition_by(
            "source", "topic", as_dict=True, maintain_order=True
        )
        for (source, topic), part in parts.items():
            self._take(str(source), str(topic), part)
        return []

    def _take(self, source: str, topic: str, part: pl.DataFrame) -> None:
        self._topics[source, topic] = self._topics.get((source, topic), 0) + part.height
        distinct = part["payload"].unique(maintain_order=True)
        misfits = {payload: self._misfit(payload) for payload in distinct}
        kinds = part["payload"].replace_strict(misfits, return_dtype=pl.String)
        wrong = part.select("t_ns", kind=kinds).drop_nulls()
        for (kind,), rows in wrong.partition_by("kind", as_dict=True, maintain_order=True).items():
            key = (source, topic, str(kind))
            known = sum(found[:2] == key[:2] for found in self._found)
            if key in self._found or known < MOST_KINDS:
                misfit = self._found.setdefault(key, _Misfits(str(kind)))
                misfit.tally.add(rows["t_ns"].to_numpy().astype(np.int64))

    def _misfit(self, payload: str | None) -> str | None:
        """What is wrong with one payload: where, and by which word of the schema."""
        try:
            value = json.loads(payload or "")
        except ValueError:
            return "is no JSON"
        errors = sorted(self._validator.iter_errors(value), key=lambda error: error.json_path)
        if not errors:
            return None
        first = errors[0]
        name = first.json_path.removeprefix("$").removeprefix(".") or "the payload"
        return f"{name} breaks {first.validator} {json.dumps(first.validator_value)[:80]}"

    def finish(self, until_ns: int) -> list[Finding]:
        """Return one finding for each topic and kind of misfit."""
        found = []
        for (source, topic, _), misfit in self._found.items():
            tally, of = misfit.tally, self._topics[source, topic]
            when = f"first at {self._words.at(tally.first_ns)}"
            summary = f"{topic}: {misfit.words} in {tally.count:,} of {of:,} messages, {when}"
            evidence = {
                "topic": topic,
                "schema_of": self._filter.text,
                "problem": misfit.words,
                "of": of,
                **tally.evidence(),
            }
            found.append(
                Finding(tally.first_ns, RULE, "warning", source, source, summary, evidence)
            )
        return found
