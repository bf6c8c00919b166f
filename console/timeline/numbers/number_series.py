"""A number that some rows of a table have, and its values over time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.bench.conditions import JSON_COLUMN
from console.bench.tables import time_column
from console.timeline.clocks import NO_BAND
from console.timeline.numbers.json_numbers import Step, each_row, floats, json_numbers

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Tables = Mapping[str, pl.DataFrame]  # the tables of a run, by name

LEAST_ROWS = 2  # fewer make no line
MOST_KINDS = 500  # topics, packets or sentences of one table, most frequent first
MOST_PATHS = 64  # numbers of one kind of event


@dataclass(frozen=True, slots=True)
class NumericField:
    """A number that some rows of one table have."""

    table: str
    party: str  # device, line or source
    subject: str  # packet, topic, request, sentence with # for its numbers; "" where none
    path: str  # column, `fields.blocks.0.x`, or `text.1`: the second number of a sentence
    name: str  # the path's last name, or the word before it
    unit: str  # "" where nothing tells it
    rows: int  # rows of this subject; not each need have the number
    varies: bool  # the tasted rows do not all have one value
    selects: tuple[tuple[str, str | bool], ...]  # columns and values of its rows
    steps: tuple[Step, ...] = ()  # into the JSON
    nth: int | None = None  # which occurrence of its name in the JSON, where that is known
    pattern: str = ""  # of a sentence, with the number as its one group

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What it is, however many rows there are by now."""
        return (self.table, self.party, self.subject, self.path)

    @property
    def title(self) -> str:
        """Party and name, not cleaned."""
        return f"{self.party} {self.name}".strip()


@dataclass(frozen=True, slots=True, eq=False)
class NumberSeries:
    """One number over time; n values in time order, all finite."""

    field: NumericField
    t_ns: Int64s  # [n] common axis; does not fall
    values: Floats  # [n] in the field's unit
    band_ns: Int64s  # [n] half-width within which each time is known; -1 where not at all
    row: Int64s  # [n] of the field's table

    def __len__(self) -> int:
        return len(self.t_ns)

    def nearest(self, t_ns: int) -> int:
        """The value nearest in time, the earlier of two; -1 when there is none."""
        after = int(np.searchsorted(self.t_ns, t_ns))
        around = [k for k in (after - 1, after) if 0 <= k < len(self)]
        return min(around, key=lambda k: abs(int(self.t_ns[k]) - t_ns), default=-1)


def numbers_of(tables: Tables, field: NumericField) -> NumberSeries:
    """The values of a field; rows without the number, or without a time, are left out."""
    frame = tables[field.table]
    time, source = time_column(field.table), _source_column(field)
    wanted = pl.col(time).is_not_null()
    for column, value in field.selects:
        wanted &= pl.col(column) == value
    rows = (
        frame.lazy()
        .select(*dict.fromkeys((time, "band_ns", source, *(c for c, _ in field.selects))))
        .with_row_index("row")
        .filter(wanted)
        .collect()
    )
    values = _values(rows[source], field)
    there = np.isfinite(values)
    bands = rows["band_ns"].cast(pl.Int64).fill_null(NO_BAND).to_numpy()
    return NumberSeries(
        field,
        rows[time].to_numpy()[there],
        values[there],
        bands[there],
        rows["row"].to_numpy().astype(np.int64)[there],
    )


def _source_column(field: NumericField) -> str:
    if field.pattern:
        return "text"
    return JSON_COLUMN if field.steps else field.path


def _values(column: pl.Series, field: NumericField) -> Floats:
    if field.pattern:
        number = pl.col("text").str.extract(field.pattern, 1).cast(pl.Float64, strict=False)
        return floats(each_row(column, number))
    return json_numbers(column, field.steps, field.nth) if field.steps else floats(column)
