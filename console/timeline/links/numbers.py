"""The numbers that events of one kind carry, by which an effect is known from another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.alignment.series import NUMBER, TASTED, number_paths, words_before
from console.timeline.numbers.json_numbers import json_numbers

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

LEAST_VALUES = 3  # a number seen less often joins nothing
MOST_NUMBERS = 12  # looked at in one sentence or object
SAMPLED = 4_096  # values from which it is told how alike they are


@dataclass(frozen=True, slots=True, eq=False)
class Number:
    """One number that every event of a kind carries."""

    name: str  # the field's last name, or the word before it in a sentence
    values: Floats  # [k] not-a-number where there is none
    alike: float  # chance that two events carry the same


def numbers_of(table: str, name: str, rows: pl.DataFrame, at: Int64s) -> list[Number]:
    """The numbers of a kind that are not always the same, those that tell its events apart first.

    Args:
        table: name of the table.
        name: of the kind; of prints, their sentence.
        rows: the table.
        at: int64[k] which of its rows are of the kind.
    """
    if table == "prints":
        found = _printed(name, rows["text"].gather(at))
    elif table in ("messages", "packets"):
        found = _in_json(rows["fields"].gather(at))
    else:
        return []
    numbers = [Number(word, values, _alike(values)) for word, values in found]
    return sorted((n for n in numbers if n.alike < 1), key=lambda number: number.alike)


def _printed(sentence: str, texts: pl.Series) -> Iterator[tuple[str, Floats]]:
    words = words_before(sentence)[:MOST_NUMBERS]
    if not words:
        return
    numbers = texts.str.extract_all(NUMBER)
    for k, word in enumerate(words):
        values = numbers.list.get(k, null_on_oob=True).cast(pl.Float64, strict=False)
        yield word or f"number {k + 1}", values.fill_null(float("nan")).to_numpy()


def _in_json(fields: pl.Series) -> Iterator[tuple[str, Floats]]:
    tasted = fields.drop_nulls()[:TASTED]
    paths = dict.fromkeys(path for text in tasted for path in number_paths(text))
    plain = [path for path in paths if not any(isinstance(step, int) for step in path)]
    for path in plain[:MOST_NUMBERS]:
        yield str(path[-1]) if path else "value", json_numbers(fields, path)


def _alike(values: Floats) -> float:
    """Chance that two events carry the same value; 1 where hardly any carries one."""
    there = values[~np.isnan(values)]
    if len(there) < max(LEAST_VALUES, len(values) / 2):
        return 1.0
    if len(there) > SAMPLED:  # at random: a stride may beat with a counter
        there = np.random.default_rng(0).choice(there, SAMPLED, replace=False)
    _, counts = np.unique(there, return_counts=True)
    n = len(there)
    return float((counts * (counts - 1)).sum()) / (n * (n - 1))
