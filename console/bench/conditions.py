"""SQL conditions over the tables: `where =` in rules, `--where`, the filter line.

A condition is what may stand after WHERE, over one row of one table. The columns are those of
`tables.py`; in tables with a `fields` column, `fields.level_cm`, `fields.blocks.0.x` and (for names
that are no plain words) `"fields.cap-colour"` reach into its JSON.

JSON has no column types, so how such a value is read follows from what it is compared with:
with text in quotes, or by LIKE, `~` or a text function, as text; with true or false, or standing
alone, as truth; else as a number. A value of another kind is NULL there, and a comparison with NULL
selects no row. This does not depend on the rows, so live and recorded rows are read alike.

Addresses are written as on the bench: `address = 0x2E` is `address = 46`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from console.bench.condition_tokens import DOT, Kind, kind_of, name_of, pieces, tokens
from console.bench.tables import TABLES, Schema
from decoders.errors import DescriptionError, Place
from decoders.toml_lines import closest_hint

__all__ = [
    "JSON_COLUMN",
    "Condition",
    "Kind",
    "NoTruthError",
    "Parsed",
    "Value",
    "condition",
    "is_path",
    "parsed",
    "reason",
    "value_of",
]

JSON_COLUMN = "fields"

_CANNOT = " cannot be used: "
_SQL = "A condition is SQL as after WHERE, such as: address = 46 AND NOT address_acked"
_MANY = 100_000  # rows from which it is worth looking where a key is at all
_PLAIN_KEY = re.compile(r"[A-Za-z_]\w*", re.ASCII)  # one that JSON writes in one way only


class NoTruthError(DescriptionError):
    """A condition that is SQL and gives a value, but not whether something holds."""


@dataclass(frozen=True, slots=True)
class Value:
    """A column, or a dotted path into the JSON column, read as one kind."""

    name: str  # as the user wrote it, without quotes
    kind: Kind

    def expr(self) -> pl.Expr:
        """The value of every row, null where there is none of this kind."""
        if not is_path(self.name):
            return _column_as(self.name, self.kind)
        found = pl.col(JSON_COLUMN).str.json_path_match(_json_path(self.name))
        if self.kind is Kind.TEXT:
            return found
        if self.kind is Kind.TRUTH:
            return found.replace_strict({"true": True, "false": False}, default=None)
        if self.kind is Kind.WHOLE:
            return found.str.strip_suffix(".0").cast(pl.Int64, strict=False)
        return found.cast(pl.Float64, strict=False)

    def column(self, frame: pl.DataFrame) -> pl.Series:
        """The values of all rows of a table; `expr`, but fast where many rows lack the path."""
        key = self.name.rpartition(".")[2]
        if frame.height < _MANY or not is_path(self.name) or not _PLAIN_KEY.fullmatch(key):
            return frame.select(self.expr()).to_series()
        # Reading JSON is most of the work of a filter: only where the key is, on all cores.
        there = frame[JSON_COLUMN].str.contains(f'"{key}"', literal=True).fill_null(False)
        near = frame.lazy().select(JSON_COLUMN).filter(there).select(self.expr())
        values = near.collect(engine="streaming").to_series()
        at = np.where(there.to_numpy(), np.cumsum(there.to_numpy()) - 1, len(values))
        return values.extend_constant(None, 1).gather(pl.Series(at))


def is_path(name: str) -> bool:
    """Whether a name reaches into the JSON column."""
    return name.startswith(JSON_COLUMN + ".")


def value_of(table: str, name: str, kind: Kind, place: Place | None = None) -> Value:
    """The value a rule's `field =` names.

    Raises:
        DescriptionError: if the table has no such column, or its type cannot be read so.
    """
    _check_table(table, place)
    _check_columns(table, [name], place)
    numeric = kind in (Kind.NUMBER, Kind.WHOLE)
    if numeric and not is_path(name) and not _is_number(TABLES[table][name]):
        numbers = [c for c, t in TABLES[table].items() if _is_number(t)]
        raise DescriptionError(
            f"column {name!r} of {table} is no number",
            place=place,
            mend=f"Numbers there: {', '.join(numbers)}, and paths such as fields.level_cm.",
        )
    return Value(name, kind)


@dataclass(frozen=True, slots=True)
class Condition:
    """A condition that was checked against its table; none selects every row."""

    text: str
    table: str
    expr: pl.Expr | None
    values: tuple[tuple[str, Value], ...]  # extra columns the expression reads, by name
    schema: Schema  # columns it may read; null where rows lack one

    def rows(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The rows of `frame` for which it holds, with the columns of `frame`.

        Raises:
            DescriptionError: if the library refuses these rows after all.
        """
        if self.expr is None or frame.height == 0:
            return frame
        return frame.filter(self.holds(frame))

    def holds(self, frame: pl.DataFrame) -> pl.Series:
        """Bool[n], without nulls: for which of the n rows it holds; errors as `rows`."""
        if self.expr is None or frame.height == 0:
            return pl.repeat(True, frame.height, dtype=pl.Boolean, eager=True)
        missing = [c for c in self.schema if c not in frame.columns]
        wide = frame.with_columns(pl.lit(None, dtype=self.schema[c]).alias(c) for c in missing)
        wide = wide.with_columns(value.column(wide).alias(name) for name, value in self.values)
        try:
            return wide.select(self.expr.fill_null(False)).to_series()
        except pl.exceptions.PolarsError as error:
            raise DescriptionError(_refused(self.text, error)) from error


def condition(
    text: str, table: str, place: Place | None = None, schema: Schema | None = None
) -> Condition:
    """Check a condition and make it ready.

    Args:
        text: SQL, or nothing for every row.
        table: one of `TABLES`, or any name with a schema of its own.
        place: where it was written, for errors.
        schema: the columns it may name, when these are not those of `TABLES`.

    Raises:
        DescriptionError: no such table or column, not SQL, not about one row, or types that do not
            go together.
    """
    if schema is None:
        _check_table(table, place)
        schema = TABLES[table]
    if not text.strip():
        return Condition("", table, None, (), schema)
    read = parsed(text, place)
    _check_columns(table, read.names, place, schema)
    made = Condition(text, table, read.expr, tuple(read.values.items()), schema)
    _try(made, read.expr, place)
    return made


@dataclass(frozen=True, slots=True)
class Parsed:
    """A condition that is SQL, whatever tables it may be about."""

    expr: pl.Expr
    values: Mapping[str, Value]  # paths, by the columns that stand for them
    names: tuple[str, ...]  # columns and paths it reads, as the user wrote them without quotes


def parsed(text: str, place: Place | None = None) -> Parsed:
    """Read a condition that is not empty.

    Raises:
        DescriptionError: if it is not SQL.
    """
    sql, values = _with_paths_as_columns(text)
    try:
        expr = pl.sql_expr(sql)
        names = expr.meta.root_names()
        is_renamed = not expr.meta.undo_aliases().meta.eq(expr)
    except (pl.exceptions.PolarsError, UnicodeEncodeError) as error:  # half a character is no SQL
        raise DescriptionError(_refused(text, error), place=place, mend=_SQL) from error
    if is_renamed:  # "valid 3": SQL takes the 3 for a name of the column
        words = f"condition {text!r}{_CANNOT}something stands behind its end"
        raise DescriptionError(words, place=place, mend=_SQL)
    own = [n for n in names if n not in values]
    return Parsed(expr, values, (*own, *(value.name for value in values.values())))


def reason(error: DescriptionError, text: str) -> str:
    """What is wrong with a condition, without the condition itself before it."""
    said = f"condition {text!r} "
    return error.message.removeprefix(said + _CANNOT.lstrip()).removeprefix(said)


def _try(made: Condition, expr: pl.Expr, place: Place | None) -> None:
    """Run it over two made-up rows: types and patterns are checked only when it runs."""
    schema = dict(made.schema)
    wide = pl.DataFrame(_two_rows(schema), schema=schema).with_columns(
        value.expr().alias(name) for name, value in made.values
    )
    try:
        got = wide.select(expr).to_series()
    except pl.exceptions.PolarsError as error:
        mend = f"Columns of {made.table}: {_columns_text(made.schema)}."
        raise DescriptionError(_refused(made.text, error), place=place, mend=mend) from error
    windowed = any(token.upper() == "OVER" for _, token in tokens(made.text))
    if windowed or len(got) != wide.height:
        raise DescriptionError(
            f"condition {made.text!r} is not about one row",
            place=place,
            mend="Compare columns; sums, counts and windows over rows are not possible here.",
        )
    if got.dtype != pl.Boolean:
        raise NoTruthError(
            f"condition {made.text!r} gives no true or false",
            place=place,
            mend="Compare it with something, such as: qos > 0",
        )


def _two_rows(schema: dict[str, pl.DataType]) -> dict[str, list[object]]:
    def filler(kind: pl.DataType) -> object:
        if kind == pl.Boolean:
            return False
        if kind == pl.String:
            return "{}"
        return [] if isinstance(kind, pl.List) else 0

    return {name: [filler(kind)] * 2 for name, kind in schema.items()}


def _with_paths_as_columns(text: str) -> tuple[str, dict[str, Value]]:
    """The condition with each path as a quoted column, and what is to stand in that column."""
    parts = pieces(text)
    solid = [k for k, part in enumerate(parts) if not part.isspace()]
    values: dict[str, Value] = {}
    for position, k in enumerate(solid):
        name = name_of(parts[k])
        if not is_path(name) or parts[k].startswith("'"):
            continue
        before = [parts[j] for j in reversed(solid[:position])]
        after = [parts[j] for j in solid[position + 1 :]]
        value = Value(name, kind_of(before, after))
        column = f"{name} as {value.kind.value}"
        values[column] = value
        parts[k] = '"' + column.replace('"', '""') + '"'
    return "".join(parts), values


def _json_path(name: str) -> str:
    """`fields.blocks.0.x` as a JSON path."""
    steps = name.split(".")[1:]
    return "$" + "".join(f"[{s}]" if s.isdigit() else f"['{_in_path(s)}']" for s in steps)


def _in_path(step: str) -> str:
    return step.replace("'", "\\'").replace(DOT, ".")


def _column_as(name: str, kind: Kind) -> pl.Expr:
    column = pl.col(name)
    return column.cast(pl.Int64) if kind is Kind.WHOLE else column


def _is_number(kind: pl.DataType) -> bool:
    return kind.is_numeric()


def _check_table(table: str, place: Place | None) -> None:
    if table not in TABLES:
        mend = closest_hint(table, TABLES, "tables")
        raise DescriptionError(f"no table named {table!r}", place=place, mend=mend)


def _check_columns(
    table: str, names: Iterable[str], place: Place | None, known: Schema | None = None
) -> None:
    known = TABLES[table] if known is None else known
    for name in names:
        if is_path(name) and "\\" in name:
            words = f"{name!r} has a backslash, and no path can say one"
            raise DescriptionError(words, place=place, mend="Compare the payload's text instead.")
        if name in known or (is_path(name) and JSON_COLUMN in known):
            continue
        words = f"no column named {name!r} in {table}"
        raise DescriptionError(words, place=place, mend=closest_hint(name, known, "columns"))


def _columns_text(schema: Schema) -> str:
    words = {"S": "text", "B": "true or false", "L": "words"}
    return ", ".join(
        f"{name} ({'a number' if kind.is_numeric() else words[str(kind)[0]]})"
        for name, kind in schema.items()
    )


def _refused(text: str, error: Exception) -> str:
    why = " ".join(str(error).split("\n\n")[0].split())
    why = re.sub(r'"?([^"]*) as (?:number|whole|text|truth)"?', r"\1", why)
    return f"condition {text!r}{_CANNOT}{why}"
