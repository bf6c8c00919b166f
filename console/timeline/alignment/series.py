"""Recurring values in a source's events: what equal values are looked for in.

A counter that the wire carries, the firmware prints and a message repeats ties three clocks
together; so does a reading, since three readings in a row hardly ever come again. A series is one
such value: where it stands (a field's path, or its place in a printed sentence), when it was seen,
and a key for each time it was seen; equal keys mean equal values.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

LEAST_EVENTS = 3  # a value seen less often ties nothing
MOST_NUMBERS = 12  # numbers looked at in one sentence or object; the rest are hardly counters
MOST_KINDS = 64  # sentences, topics or packets looked at, most frequent first
TASTED = 16  # events of a kind looked at to learn which numbers it has
COUNTS_SHARE = 0.8  # steps that must go up for a number to be a counter
MOST_RUNS = 16  # a counter that starts over more often is none
GRAM = 3  # readings in a row that make one key

Kind = Literal[
    "counter",  # two counters of equal pace fit anywhere, so they prove less
    "readings",  # values in a row
    "line",  # whole lines of text, seen on the wire and in its log
    "mark",  # something the user named as one moment in both sources
]

NUMBER = r"-?\d+(?:\.\d+)?"
_PLAIN = re.compile(r"[\w .:-]+")


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One recurring value of one source; n events in the order of the source."""

    source: str
    name: str  # "poll": the field's last name, or the word before the number
    native_ns: Int64s  # [n] on the source's own clock
    row: Int64s  # [n] which row of the source each event is; rises
    keys: Int64s  # [n] equal where the values are
    run: Int64s  # [n] a counter that starts over begins a new run; within one, a value comes once
    kind: Kind


def print_series(source: str, native_ns: Int64s, row: Int64s, texts: pl.Series) -> list[Series]:
    """The numbers in printed lines, by the sentence around them.

    Args:
        source: name of the source.
        native_ns: int64[n] time of each line.
        row: int64[n] which row of the source each line is.
        texts: String[n] the lines.
    """
    frame = pl.DataFrame({"native_ns": native_ns, "row": row, "text": texts}).with_columns(
        sentence=pl.col("text").str.replace_all(NUMBER, "#")
    )
    found: list[Series] = []
    for sentence, lines in _frequent(frame, "sentence"):
        words = words_before(sentence)[:MOST_NUMBERS]
        if not words:
            continue
        numbers = lines["text"].str.extract_all(NUMBER)
        t_ns, rows = lines["native_ns"].to_numpy(), lines["row"].to_numpy()
        for k, word in enumerate(words):
            values = numbers.list.get(k, null_on_oob=True).cast(pl.Float64, strict=False)
            found += value_series(source, word, t_ns, rows, _floats(values))
    return found


def json_series(
    source: str, native_ns: Int64s, row: Int64s, kinds: pl.Series, fields: pl.Series
) -> list[Series]:
    """The numbers in JSON fields, by the kind of event (topic, packet) and their path.

    Args:
        source: name of the source.
        native_ns: int64[n] time of each event.
        row: int64[n] which row of the source each event is.
        kinds: String[n] which kind each is.
        fields: String[n] JSON text, null where there is none.
    """
    frame = pl.DataFrame({"native_ns": native_ns, "row": row, "kind": kinds, "fields": fields})
    found: list[Series] = []
    for _, events in _frequent(frame.drop_nulls("fields"), "kind"):
        paths = dict.fromkeys(p for text in events["fields"][:TASTED] for p in number_paths(text))
        t_ns, rows = events["native_ns"].to_numpy(), events["row"].to_numpy()
        for path in list(paths)[:MOST_NUMBERS]:
            at = "$" + "".join(f"[{p}]" if isinstance(p, int) else f"['{p}']" for p in path)
            values = events["fields"].str.json_path_match(at).cast(pl.Float64, strict=False)
            name = next((p for p in reversed(path) if isinstance(p, str)), "")
            found += value_series(source, name, t_ns, rows, _floats(values))
    return found


def same_series(
    source: str, name: str, native_ns: Int64s, row: Int64s, keys: Int64s, kind: Kind
) -> Series:
    """Events known to be those of another source with the same keys: lines, marks."""
    return Series(source, name, native_ns, row, keys, np.zeros_like(row), kind)


def value_series(
    source: str, name: str, native_ns: Int64s, row: Int64s, values: Floats
) -> list[Series]:
    """One number as a series, as a counter or as readings in a row; none where it says nothing.

    Args:
        source: name of the source.
        name: what the number is called.
        native_ns: int64[n] times.
        row: int64[n] which rows of the source they are.
        values: float64[n], not-a-number where there is none.
    """
    there = ~np.isnan(values)
    t_ns, row, values = native_ns[there], row[there], values[there]
    if len(values) < LEAST_EVENTS or (values == values[0]).all():
        return []
    steps = np.diff(values)
    keys = (values + 0.0).view(np.int64)  # -0.0 and 0.0 are one value
    if (steps > 0).mean() >= COUNTS_SHARE:
        run = np.concatenate([[0], np.cumsum(steps < 0)])
        if run[-1] < MOST_RUNS:
            return [Series(source, name, t_ns, row, keys, run, "counter")]
    n = len(keys) - GRAM + 1
    grams = np.zeros(n, np.int64)
    for k in range(GRAM):  # a polynomial hash; it wraps round, as hashes do
        grams = grams * np.int64(0x100000001B3) ^ (keys[k : k + n] * np.int64(-7046029254386353131))
    none = np.zeros(n, np.int64)
    return [Series(source, name, t_ns[:n], row[:n], grams, none, "readings")]


def number_paths(text: str) -> list[tuple[str | int, ...]]:
    """Paths of the numbers in a JSON text; names that no simple JSON path can say are left out."""
    found: list[tuple[str | int, ...]] = []
    todo: list[tuple[tuple[str | int, ...], object]] = [((), json.loads(text))]
    while todo:
        path, value = todo.pop()
        if isinstance(value, dict):
            inner = [(k, v) for k, v in value.items() if _PLAIN.fullmatch(k)]
            todo += [((*path, k), v) for k, v in reversed(inner)]
        elif isinstance(value, list):
            todo += [((*path, k), v) for k, v in reversed(list(enumerate(value)))]
        elif isinstance(value, int | float) and not isinstance(value, bool):
            found.append(path)
    return found


def _frequent(frame: pl.DataFrame, kind: str) -> Iterator[tuple[str, pl.DataFrame]]:
    """The rows of each kind seen often enough, the most frequent kinds first."""
    counts = frame[kind].value_counts(sort=True).filter(pl.col("count") >= LEAST_EVENTS)
    wanted = counts[kind].head(MOST_KINDS)
    parts = frame.filter(pl.col(kind).is_in(wanted.implode())).partition_by(kind, as_dict=True)
    for name in wanted:
        yield str(name), parts[(name,)]


def _floats(values: pl.Series) -> Floats:
    found: Floats = values.fill_null(float("nan")).to_numpy()
    return found


def words_before(sentence: str) -> list[str]:
    """The word that stands before each number of a sentence; `""` where none does."""
    parts = sentence.split("#")[:-1]
    return [(re.findall(r"[^\W\d_]\w*", part) or [""])[-1] for part in parts]
