"""Every number there is in the tables of a run, and its values over time.

A number stands in a column of its own (a latency, the width of a pulse), at a path of the JSON
fields of prints, packets and messages, or in a printed sentence, where it is known by the word
before it (`printed_numbers.py`). Which there are is told from a taste of the rows of each kind;
values are read, for the chosen fields alone, in time that grows with the rows and no faster.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import polars as pl

from console.bench.conditions import JSON_COLUMN
from console.timeline.alignment.series import number_paths
from console.timeline.numbers.described_numbers import number_at, occurrence
from console.timeline.numbers.json_numbers import Step
from console.timeline.numbers.number_series import (
    LEAST_ROWS,
    MOST_KINDS,
    MOST_PATHS,
    NumberSeries,
    NumericField,
    Tables,
    numbers_of,
)
from console.timeline.numbers.printed_numbers import printed_fields
from console.timeline.numbers.units import unit_of_name
from decoders.packets.layout import PacketKind, PacketSet

__all__ = ["NumberSeries", "NumericField", "numbers_of", "numeric_fields"]

Packets = Mapping[str, PacketSet]  # by device

TASTED = 16  # events of a kind, spread over the run; as many again of the longest, for repeats

# Columns that are numbers, and the columns that tell whose they are: the party, then the subject.
_COLUMNS = (
    ("exchanges", ("latency_ns",), "device", "request"),
    ("pulses", ("angle_deg", "distance_cm", "width_ns", "period_ns"), "line", "high"),
    ("bytes", ("value",), "line", "source"),
)
_JSON = (
    ("packets", "device", "packet"),
    ("messages", "source", "topic"),
    ("prints", "source", None),
)


def numeric_fields(tables: Tables, packets: Packets | None = None) -> list[NumericField]:
    """Every number there is, table by table, of each the most frequent kinds of event first.

    Args:
        tables: the tables of a run, by name; those that are missing have no numbers.
        packets: packet descriptions by device, for units.
    """
    found: list[NumericField] = []
    for table, columns, party, subject in _COLUMNS:
        if table in tables:
            found += _column_fields(tables[table], table, columns, party, subject)
    for table, party, json_subject in _JSON:
        if table in tables:
            found += _json_fields(tables[table], table, party, json_subject, packets or {})
    if "prints" in tables:
        found += printed_fields(tables["prints"])
    return found


def _column_fields(
    frame: pl.DataFrame, table: str, columns: Sequence[str], party: str, subject: str
) -> Iterator[NumericField]:
    """Columns that are numbers."""
    for column in columns:
        kinds = _kinds(
            frame.filter(pl.col(column).is_not_null()),
            (party, subject),
            varies=pl.col(column).min() != pl.col(column).max(),
        )
        for kind in kinds:
            whose = {party: kind[party], subject: kind[subject]}
            word = kind[subject]
            yield NumericField(
                table=table,
                party=str(kind[party]),
                subject=("high" if word else "low") if isinstance(word, bool) else str(word),
                path=column,
                name=column.rpartition("_")[0] if unit_of_name(column) else column,
                unit=unit_of_name(column),
                rows=kind["rows"],
                varies=bool(kind["varies"]),
                selects=tuple(whose.items()),
            )


def _json_fields(
    frame: pl.DataFrame, table: str, party: str, subject: str | None, packets: Packets
) -> Iterator[NumericField]:
    """Numbers in JSON fields, kind by kind."""
    by = (party,) if subject is None else (party, subject)
    text = pl.col(JSON_COLUMN)
    count = pl.len().cast(pl.Int64)
    spread = text.gather(pl.int_range(TASTED) * (count - 1) // (TASTED - 1))
    longest = text.top_k_by(text.str.len_bytes(), TASTED)
    there = frame.filter(text.is_not_null())
    for kind in _kinds(there, by, spread=spread, longest=longest):
        owner, about = str(kind[party]), "" if subject is None else str(kind[subject])
        described = _described(packets, owner, about) if table == "packets" else None
        for steps, values in _tasted_paths([*kind["spread"], *kind["longest"]]):
            number = number_at(described, steps) if described is not None else None
            yield NumericField(
                table=table,
                party=owner,
                subject=about,
                path=".".join((JSON_COLUMN, *map(str, steps))),
                name=_name(steps),
                unit=number.unit if number is not None else unit_of_name(_name(steps)),
                rows=kind["rows"],
                varies=len(values) > 1,
                selects=tuple((column, kind[column]) for column in by),
                steps=steps,
                nth=occurrence(described, steps) if described is not None else None,
            )


def _kinds(frame: pl.DataFrame, by: Sequence[str], **tastes: pl.Expr) -> Iterator[dict[str, Any]]:
    """The kinds of rows there are, most frequent first, with what is asked about each."""
    named = frame.filter(pl.all_horizontal(pl.col(column).is_not_null() for column in by))
    grouped = named.group_by(by, maintain_order=True).agg(rows=pl.len(), **tastes)
    kinds = grouped.filter(pl.col("rows") >= LEAST_ROWS).sort(
        "rows", descending=True, maintain_order=True
    )
    return kinds.head(MOST_KINDS).iter_rows(named=True)


def _tasted_paths(texts: Sequence[str]) -> list[tuple[tuple[Step, ...], set[float]]]:
    """The numbers in some JSON texts, and the values each was seen to have."""
    seen: dict[tuple[Step, ...], set[float]] = {}
    for text in texts:
        whole = json.loads(text)
        for path in number_paths(text):
            value = whole
            for step in path:
                value = value[step]
            seen.setdefault(path, set()).add(value)
    return sorted(seen.items(), key=lambda item: _as_written(item[0], list(seen)))[:MOST_PATHS]


def _as_written(path: tuple[Step, ...], order: list[tuple[Step, ...]]) -> tuple[int, int]:
    """Items of a repeat one after another, everything else in the order in which it was seen."""
    first = next(k for k, other in enumerate(order) if other[0] == path[0])
    return first, next((step for step in path if isinstance(step, int)), 0)


def _name(steps: Sequence[Step]) -> str:
    """`x 1` for the x of the second item: what tells it from its neighbours, in short."""
    word = next((str(step) for step in reversed(steps) if isinstance(step, str)), "")
    places = [str(step) for step in steps if isinstance(step, int)]
    return " ".join((word, *places)).strip()


def _described(packets: Packets, device: str, packet: str) -> PacketKind | None:
    kinds = packets[device].kinds if device in packets else ()
    return next((kind for kind in kinds if kind.name == packet), None)
