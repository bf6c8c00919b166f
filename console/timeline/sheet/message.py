"""The sheet of a message: its topic and flags, and its payload beside the topic's last one."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import polars as pl

from console.timeline.sheet.before import good_before
from console.timeline.sheet.compare import MISSING
from console.timeline.sheet.lines import Body, Change, Field, Heading, Line, Words, clipped
from console.timeline.sheet.run import Row, Run, ago
from console.timeline.sheet.tree import MOST_VALUE, tree_lines
from decoders.messages.json_text import NOT_JSON, value_of

_ESCAPED = re.compile(r"\\x[0-9a-f]{2}")  # how the table writes bytes that are no UTF-8
_DIRECTIONS = {"to-broker": "to the broker", "from-broker": "from the broker"}


def message_body(run: Run, at: int, row: Row) -> Body:
    """What there is to say of a message, row `at` of its table."""
    messages = run.tables["messages"]
    same = (pl.col("topic") == row["topic"]) & (pl.col("source") == row["source"])
    past = good_before(messages, at, same)
    good = messages.row(past.rows[0], named=True) if past.rows else None
    payload = str(row["payload"] or "")
    lines: list[Line] = [*_facts(row, good)]
    lines.append(Heading("payload"))
    lines += _payload(payload, [str(messages["payload"][r] or "") for r in past.rows], past.steps)
    compared = past.none_words("message of this topic")
    if good is not None:
        compared = f"beside the topic's last, {ago(row['t_ns'], good['t_ns'])}"
    problems = ("sent again: its duplicate flag is set",) if row["duplicate"] else ()
    title = clipped(str(row["topic"]), MOST_VALUE)
    return Body(title, tuple(lines), problems, compared, None, str(row["source"]))


def _facts(row: Row, good: Row | None) -> list[Field]:
    """Who sent it, and its flags; one that is not as in the last message is lit."""
    lines = []
    if row["client"]:
        lines.append(Field("client", clipped(str(row["client"]), MOST_VALUE)))
    if row["direction"] in _DIRECTIONS:
        lines.append(Field("sent", _DIRECTIONS[row["direction"]]))
    for name in ("qos", "retain", "duplicate"):
        value = _flag(row[name])
        if good is None:
            lines.append(Field(name, value))
            continue
        was = _flag(good[name])
        change = Change.SAME if was == value else Change.DIFFERS
        lines.append(Field(name, value, change=change, was="" if was == value else was))
    lines.append(Field("size", _size(str(row["payload"] or ""))))
    return lines


def _flag(value: Any) -> str:
    if value is None:
        return "not told"
    return str(value) if not isinstance(value, bool) else "yes" if value else "no"


def _size(payload: str) -> str:
    if _ESCAPED.search(payload):
        return f"{len(payload):,} characters as shown, with bytes that are no text"
    size = len(payload.encode("utf-8", "replace"))
    return f"{size:,} byte{'s' * (size != 1)}"


def _payload(payload: str, before: Sequence[str], steps: Sequence[int]) -> list[Line]:
    if not payload:
        return [Words("empty")]
    value = value_of(payload.encode("utf-8", "replace"))
    if value is NOT_JSON:
        return [Words(clipped(payload))]
    earlier = [value_of(text.encode("utf-8", "replace")) for text in before]
    return list(tree_lines(value, [MISSING if b is NOT_JSON else b for b in earlier], steps))
