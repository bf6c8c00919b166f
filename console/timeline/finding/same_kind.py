"""Which rows of a table are of one kind: what "the next of the same kind" goes by.

A packet's kind is its name and direction, a message's its topic, a transaction's its address and
direction, a print's its sentence with the numbers left open; of the others, what they say was so.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import polars as pl

# A number with its sign, hexadecimal where it says so; digits within a word count too ("poll7").
_NUMBER = re.compile(r"(?:(?<=[\s=(,:])|^)[+-]?(?:0x[0-9A-Fa-f]+|[0-9]+(?:\.[0-9]+)?)|[0-9]+")
_OPEN = r"[+-]?(?:0x[0-9A-Fa-f]+|[0-9]+(?:\.[0-9]+)?)"
MOST_TEXT = 200  # characters of a sentence that are compared

_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "transactions": ("bus", "address", "read"),
    "packets": ("device", "packet", "direction"),
    "words": ("device",),
    "pulses": ("line", "high"),
    "line_states": ("bus", "state"),
    "exchanges": ("device", "request"),
    "messages": ("topic",),
    "happenings": ("source", "what"),
    "prints": ("text",),
    "links": ("to_table", "outcome"),
}


def same_kind(table: str, row: Mapping[str, Any]) -> pl.Expr:
    """Whether rows of a table are of the kind of one of its rows; null is nobody's."""
    if table == "prints" and row["text"] is not None:
        return pl.col("text").str.contains(sentence_pattern(row["text"]))
    return pl.all_horizontal(
        pl.col(c).eq_missing(pl.lit(row[c])) for c in _COLUMNS[table] if c in row
    )


def sentence_pattern(text: str) -> str:
    """A pattern for all lines that say the same with other numbers, by at most `MOST_TEXT`."""
    head = text[:MOST_TEXT]
    parts, at = ["^"], 0
    for number in _NUMBER.finditer(head):
        parts += [_quoted(head[at : number.start()]), _OPEN]
        at = number.end()
    parts.append(_quoted(head[at:]))
    return "".join(parts) + ("$" if len(text) <= MOST_TEXT else "")


def _quoted(text: str) -> str:
    return pl.escape_regex(text) if text else ""
