"""What a filter over a run may name: columns, paths seen in its JSON, and the values of some.

A few thousand rows of each table are looked at, spread over the run, so that a run of any length
opens at once. A path or a value that is rare may be missing here; it can be asked for all the same.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl

from console.bench.conditions import JSON_COLUMN
from console.printable import printable
from console.timeline.events import EVENT_TABLES
from console.timeline.finding.event_columns import PARTY, STATE, STATES, TABLE, schema_of
from console.timeline.parties import Parties
from decoders.buses.transactions import LINE_STATES

SAMPLE = 4_000  # rows of a table looked at for values, and at most for paths
MOST_VALUES = 40  # a column with more of them has no list of values
MOST_PATHS = 300
DEEPEST = 4  # steps of a path
LONGEST = 60  # characters of a value or a step that is offered
_LONGEST_JSON = 1 << 16

Kind = str  # "text", "number", "truth" or "words"


class Vocabulary:
    """The names and values of one run; looked up when they are first asked for."""

    def __init__(self, tables: Mapping[str, pl.DataFrame], parties: Parties) -> None:
        self.tables = {name: tables[name] for name in EVENT_TABLES if name in tables}
        self.parties = parties
        self._values: dict[str, tuple[str, ...]] = {}

    @cached_property
    def columns(self) -> dict[str, tuple[Kind, tuple[str, ...]]]:
        """Columns by name, with their kind and the tables that have them; paths come last."""
        found: dict[str, tuple[Kind, list[str]]] = {}
        for table in self.tables:
            for name, dtype in schema_of(table, self.tables).items():
                found.setdefault(name, (_kind_of(dtype), []))[1].append(table)
        found.pop(JSON_COLUMN, None)
        for path, (kind, tables, _) in self._paths.items():
            found[path] = (kind, tables)
        return {name: (kind, tuple(tables)) for name, (kind, tables) in found.items()}

    def values(self, column: str) -> tuple[str, ...]:
        """What a column with few values holds, as written in a condition; else nothing."""
        if column not in self._values:
            self._values[column] = tuple(self._values_of(column))
        return self._values[column]

    def _values_of(self, column: str) -> list[str]:
        own = {
            TABLE: list(self.tables),
            PARTY: [party.name for party in self.parties.every],
            STATE: [*STATES, *(LINE_STATES if "line_states" in self.tables else ())],
        }
        if column in own:
            return [quoted(word) for word in own[column] if _can_be_shown(word)]
        if column in self._paths:
            seen = self._paths[column][2]
            return _literals(seen) if len(seen) <= MOST_VALUES else []
        kind, tables = self.columns.get(column, ("", ()))
        if kind not in ("text", "number", "truth", "words") or column.endswith("_ns"):
            return []
        found: set[Any] = set()
        for table in tables:
            sample = _sample(self.tables[table], column)
            found |= set((sample.explode() if kind == "words" else sample).drop_nulls().unique())
            if len(found) > MOST_VALUES:
                return []
        return _literals(found)

    @cached_property
    def _paths(self) -> dict[str, tuple[Kind, list[str], set[Any]]]:
        """Paths into JSON: kind, tables, and the values seen."""
        found: dict[str, tuple[Kind, list[str], set[Any]]] = {}
        for name, frame in self.tables.items():
            if JSON_COLUMN not in frame.columns:
                continue
            for text in _sample(frame, JSON_COLUMN).drop_nulls():
                for path, value in _leaves(text):
                    if path not in found and len(found) >= MOST_PATHS:
                        continue
                    _, tables, values = found.setdefault(path, (_kind_of_value(value), [], set()))
                    if name not in tables:
                        tables.append(name)
                    if len(values) <= MOST_VALUES:
                        values.add(value)
        return found


def quoted(text: str) -> str:
    """A text as SQL writes it."""
    return "'" + text.replace("'", "''") + "'"


def _sample(frame: pl.DataFrame, column: str) -> pl.Series:
    """Some rows of a column, spread over the table; none where the table lacks it."""
    if column not in frame.columns:
        return pl.Series([], dtype=pl.String)
    if frame.height <= SAMPLE:
        return frame[column]
    return frame[column].gather(np.linspace(0, frame.height - 1, SAMPLE).astype(np.int64))


def _kind_of(dtype: pl.DataType) -> Kind:
    if dtype == pl.Boolean:
        return "truth"
    if isinstance(dtype, pl.List):
        return "words"
    return "number" if dtype.is_numeric() else "text"


def _kind_of_value(value: Any) -> Kind:
    if isinstance(value, bool):
        return "truth"
    return "number" if isinstance(value, int | float) else "text"


def _leaves(text: str) -> Iterator[tuple[str, Any]]:
    """Paths and values of a JSON object; of a list only the first item."""
    if len(text) > _LONGEST_JSON:
        return
    try:
        found = json.loads(text)
    except ValueError:
        return
    if isinstance(found, dict):
        yield from _walked(JSON_COLUMN, found, DEEPEST)


def _walked(path: str, value: Any, deeper: int) -> Iterator[tuple[str, Any]]:
    if isinstance(value, str | int | float):
        yield path, value
    elif isinstance(value, list) and value and deeper:
        yield from _walked(f"{path}.0", value[0], deeper - 1)
    elif isinstance(value, dict) and deeper:
        for key, item in value.items():
            if _can_be_shown(key) and "\\" not in key:
                yield from _walked(f"{path}.{_step(key)}", item, deeper - 1)


def _step(key: str) -> str:
    """A step of a path, in quotes where it is no plain word."""
    plain = key.isascii() and key.replace("_", "a").isalnum()
    return key if plain else '"' + key.replace('"', '""') + '"'


def _can_be_shown(text: str) -> bool:
    """Whether a text can be offered: it is written as it looks, and is not long."""
    return 0 < len(text) <= LONGEST and printable(text) == text


def _literals(values: set[Any]) -> list[str]:
    """Values as SQL writes them, numbers by size and texts by letters."""
    if values <= {True, False} and all(isinstance(v, bool) for v in values):
        return ["TRUE", "FALSE"]
    texts = sorted(v for v in values if isinstance(v, str) and _can_be_shown(v))
    numbers = sorted(v for v in values if isinstance(v, int | float) and not isinstance(v, bool))
    return [*map(str, numbers), *map(quoted, texts)]
