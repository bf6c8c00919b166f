"""Numbers in prints and payloads: one unlike those before it, and memory that shrinks."""

from __future__ import annotations

import math
import re

import numpy as np
import polars as pl

from console.diagnosis.before.difference import Said
from console.diagnosis.before.history import History
from console.diagnosis.before.judging import Kind, Measure, Tested
from console.diagnosis.before.said import NUMBERS, sentence
from console.diagnosis.before.statistics import (
    LEAST_GROUP,
    Floats,
    Ints,
    codes_of,
    isolation,
    largest_of,
)
from console.diagnosis.before.windows import Heard
from console.diagnosis.story import Place

_MOST_SENTENCES = 8
_MOST_PLACES = 4  # numbers of a sentence
_MEMORY = re.compile(r"heap|free|mem(?:ory)?\b|stack|largest|block size|\bram\b", re.IGNORECASE)
_WANDERS = 33  # a measured value is compared with so many before it
_BLOCKS = 24  # of a run, their means compared
_FELL = 0.1  # a tenth of what there was, at least


def numbers(history: History, heard: Heard) -> Kind:
    """Printed numbers that lie apart from all others at their place in their sentence."""
    return Kind("numbers", heard.windows.units, _measures(heard, "text", "prints"))


def values(history: History, heard: Heard) -> Kind:
    """The same of numbers in the payloads of messages."""
    return Kind("values", heard.windows.units, _measures(heard, "payload", "messages"))


def _measures(heard: Heard, column: str, table: str) -> list[Measure]:
    found = []
    for rows, name in _sentences(heard, column):
        for place, column_of in enumerate(_numbers(heard.rows[column].gather(rows))):
            if (column_of != column_of[0]).any():
                found.append(_measure(heard, rows, column_of, name, table, place))
    return found


def _measure(
    heard: Heard, rows: Ints, values: Floats, name: str, table: str, place: int
) -> Measure:
    scores = isolation(values, np.zeros(len(values), np.int64), drift_rows=_WANDERS)
    largest, best = largest_of(scores, heard.window[rows], heard.windows.n)

    def said(window: int) -> Said:
        k = int(best[window])
        row = heard.rows.row(int(rows[k]), named=True)
        value, usual = values[k], float(np.median(values))
        words = f"{value:g} in “{name}” (usually about {usual:g})"
        far = np.abs(values - usual) >= abs(value - usual)
        same = f"number {place} of {name} {'above' if value > usual else 'below'}"
        share = float((far.sum() + 1) / (len(values) + 1))
        return Said(words, Place(row["t_ns"], table, row["row"]), same, share)

    return Measure(largest, said)


def memory(history: History, heard: Heard) -> Tested | None:
    """Free memory that shrank through the run and was lowest at its end; None when none did.

    The trend is that of means over blocks of the run (Mann 1945, Econometrica 13, 245-259).
    """
    best: Tested | None = None
    for rows, name in _sentences(heard, "text"):
        if not _MEMORY.search(name):
            continue
        for place, values in enumerate(_numbers(heard.rows["text"].gather(rows))):
            fell = _fell(values)
            if fell is None or (best and fell >= best.chance):
                continue
            n = len(values)
            row = heard.rows.row(int(rows[-1]), named=True)
            words = f"{name}: from {values[0]:g} down to {values[-1]:g}"
            said = Said(words, Place(row["t_ns"], "prints", row["row"]), f"{name} {place}", 1 / n)
            best = Tested("memory", said, fell, n)
    return best


def _fell(values: Floats) -> float | None:
    """The chance that block means fall so steadily; None when they do not end lowest."""
    if len(values) < 2 * _BLOCKS:
        return None
    means = np.array([part.mean() for part in np.array_split(values, _BLOCKS)])
    if means[-1] > means.min() or means[0] - means[-1] < _FELL * abs(means[0]):
        return None
    pairs = np.sign(means[None, :] - means[:, None])[np.triu_indices(_BLOCKS, 1)].sum()
    spread = math.sqrt(_BLOCKS * (_BLOCKS - 1) * (2 * _BLOCKS + 5) / 18)
    return 0.5 * math.erfc(-(pairs + 1) / spread / math.sqrt(2))


def _sentences(heard: Heard, column: str) -> list[tuple[Ints, str]]:
    """Rows of the commonest sentences with numbers in them."""
    texts = heard.rows.select("source", said=sentence(column))
    codes = codes_of(texts.select(pl.concat_str("source", "said", separator="\t")).to_series())
    with_numbers = texts["said"].str.contains("#", literal=True).to_numpy()
    values, counts = np.unique(codes[with_numbers], return_counts=True)
    found = []
    for k in np.argsort(-counts, kind="stable")[:_MOST_SENTENCES]:
        if counts[k] >= LEAST_GROUP:
            rows = np.flatnonzero(codes == values[k])
            found.append((rows, str(texts["said"][int(rows[0])])))
    return found


def _numbers(texts: pl.Series) -> list[Floats]:
    """Of texts of one sentence the numbers at each of its places; hexadecimal ones are left out."""
    parts = texts.str.extract_all(NUMBERS)
    places = min(int(parts.list.len().to_numpy().min()), _MOST_PLACES)
    columns = [parts.list.get(k).cast(pl.Float64, strict=False) for k in range(places)]
    return [column.to_numpy() for column in columns if not column.null_count()]
