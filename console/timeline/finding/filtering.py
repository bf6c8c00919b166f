"""A condition over all events of a run: which of them are to be seen.

A condition names columns. Each table that has all of them takes part, and its rows decide; events
of the other tables are left out, and `Filtered.tables` says which took part. Beside the columns of
`console/bench/tables.py` every table has those of `event_columns.py`: `table`, `party`, `state`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.bench.condition_faults import column_of, fault_in, first_column
from console.bench.conditions import (
    JSON_COLUMN,
    Condition,
    NoTruthError,
    condition,
    is_path,
    parsed,
    reason,
)
from console.bench.tables import Schema
from console.timeline.events import EVENT_TABLES, Events
from console.timeline.finding.event_columns import (
    EVENT_COLUMNS,
    OWN_STATE,
    STATE,
    asks_for_lines,
    check_words,
    schema_of,
    with_event_columns,
)
from console.timeline.parties import Parties
from decoders.errors import DescriptionError, Place
from decoders.toml_lines import closest_hint

Bools = npt.NDArray[np.bool_]
PLACE = "filter"  # the name errors have for where the text stands
_EXAMPLE = "Write a condition as after WHERE in SQL, such as: state = 'bad' AND party = 'camera'"


class UnfinishedError(DescriptionError):
    """A condition of which nothing is wrong but that its end is still to come."""


@dataclass(frozen=True, slots=True, eq=False)
class Filtered:
    """Which events a condition selects; all for an empty one."""

    text: str
    mask: Bools  # [n], over the events
    tables: tuple[str, ...]  # those whose rows could be asked; events of others are left out

    @property
    def count(self) -> int:
        """How many events are left."""
        return int(np.count_nonzero(self.mask))


@dataclass(frozen=True, slots=True)
class Checked:
    """A condition and the tables it can be asked of."""

    text: str
    conditions: Mapping[str, Condition]  # by table
    wanted: frozenset[str]  # columns of every event that it reads
    of_lines: bool  # whether `state` is the line's, not the event's


def filtered(
    text: str, tables: Mapping[str, pl.DataFrame], events: Events, parties: Parties
) -> Filtered:
    """The events for which a condition holds.

    Args:
        text: the condition; nothing selects every event.
        tables: the tables of events by name.
        events: the index over them.
        parties: whose events they are.

    Raises:
        DescriptionError: as `checked`.
    """
    found = checked(text, tables, parties)
    shown = np.bincount(events.table, minlength=len(EVENT_TABLES))
    mask = np.zeros(len(events), np.bool_)
    took_part = []
    for name, made in found.conditions.items():
        k = EVENT_TABLES.index(name)
        if not shown[k]:
            continue
        took_part.append(name)
        wanted = set(found.wanted)
        if name == OWN_STATE and found.of_lines:
            wanted.discard(STATE)
        holds = made.holds(with_event_columns(tables[name], name, events, parties, wanted))
        own = np.flatnonzero(events.table == k) if shown[k] < len(events) else slice(None)
        mask[own] = holds.to_numpy()[events.row[own]]
    return Filtered(text, mask, tuple(took_part))


def checked(text: str, tables: Mapping[str, pl.DataFrame], parties: Parties) -> Checked:
    """Check a condition against the columns of all tables; looks at no row.

    Raises:
        DescriptionError: it is not SQL, no table has the columns it names, or types do not go
            together; its place has the column, counted from 1, wherever that can be told. An
            UnfinishedError where it only lacks its end.
    """
    schemas = {name: schema_of(name, tables) for name in EVENT_TABLES if name in tables}
    if not text.strip():
        return Checked("", {name: condition("", name, None, s) for name, s in schemas.items()},
                       frozenset(), False)  # fmt: skip
    names = _names(text)
    check_words(text, parties, PLACE)
    of_lines = STATE in names and asks_for_lines(text, PLACE)
    if of_lines:
        schemas = {OWN_STATE: schemas[OWN_STATE]} if OWN_STATE in schemas else {}
    asked = {name: s for name, s in schemas.items() if all(_has(s, column) for column in names)}
    if not asked:
        raise _nowhere(text, names, schemas)
    made: dict[str, Condition] = {}
    refused: list[DescriptionError] = []
    for name, schema in asked.items():
        try:
            made[name] = condition(text, name, None, schema)
        except DescriptionError as error:  # a column of one name may have another type elsewhere
            refused.append(error)
    if not made:
        raise _refused(refused[0], text, names)
    return Checked(text, made, frozenset(EVENT_COLUMNS) & frozenset(names), of_lines)


def _refused(error: DescriptionError, text: str, names: Sequence[str]) -> DescriptionError:
    """What the first table that could be asked said of a condition, with a place in it."""
    if isinstance(error, NoTruthError):
        place = Place(PLACE, 1, len(text.rstrip()) + 1)
        return UnfinishedError("a comparison is wanted", place=place, mend=error.mend)
    place = Place(PLACE, 1, first_column(text, names))
    return DescriptionError(reason(error, text), place=place, mend=error.mend)


def _names(text: str) -> tuple[str, ...]:
    """The columns and paths a condition reads."""
    try:
        return parsed(text).names
    except DescriptionError as error:
        fault = fault_in(text)
        if fault is None:
            message, place = reason(error, text), Place(PLACE, 1)
            raise DescriptionError(message, place=place, mend=_EXAMPLE) from error
        kind = UnfinishedError if fault.unfinished else DescriptionError
        raise kind(fault.message, place=Place(PLACE, 1, fault.column), mend=_EXAMPLE) from error


def _has(schema: Schema, column: str) -> bool:
    return (JSON_COLUMN if is_path(column) else column) in schema


def _nowhere(text: str, names: Sequence[str], schemas: Mapping[str, Schema]) -> DescriptionError:
    """Why no table can be asked: a column that none has, or columns of different tables."""
    for name in sorted(names, key=lambda name: column_of(text, name) or 0):
        holders = [table for table, schema in schemas.items() if _has(schema, name)]
        if not holders:
            known = list(dict.fromkeys(c for schema in schemas.values() for c in schema))
            return DescriptionError(
                f"no column named {name!r}",
                place=Place(PLACE, 1, column_of(text, name)),
                mend=closest_hint(name, known, "columns"),
            )
    where = [
        f"{name} is in {', '.join(t for t, s in schemas.items() if _has(s, name))}"
        for name in names
        if name not in EVENT_COLUMNS
    ]
    last = max(names, key=lambda name: column_of(text, name) or 0)
    return DescriptionError(
        f"no table has all of {', '.join(names)}",
        place=Place(PLACE, 1, column_of(text, last)),
        mend=f"{'; '.join(where)}.",
    )
