"""SQL conditions over the tables: `where =` in rules, `--where`, the filter line.

A condition is what may stand after WHERE, over one row of one table. The columns are those of
`tables.py`; in tables with a `fields` column, `fields.level_cm`, `fields.blocks.0.x` and (for names
that are no plain words) `"fields.cap-colour"` reach into its JSON.

JSON has no column types, so how such a value is read follows from what it is compared with:
with text in quotes, or by LIKE, `~` or a text function, as text; with true or false, or standing
alone, as truth; else as a number. A value of another kind is NULL there, and a comparison with NULL
selects no row. This does not depend on the rows, so live and recorded rows are read alike.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

import polars as pl

from console.bench.tables import TABLES
from decoders.errors import DescriptionError, Place
from decoders.toml_lines import closest_hint

JSON_COLUMN = "fields"

_TOKEN = re.compile(
    r"""'(?:[^']|'')*'                             # text
      | "(?:[^"]|"")*"                             # quoted name
      | [A-Za-z_]\w*(?:\.(?:\w+|"(?:[^"]|"")*"))*  # word, or a dotted path
      | \d[\w.]*
      | <>|<=|>=|!=|!~\*|!~|~\*|[=<>~(),]
      | \s+
      | .""",
    re.VERBOSE | re.DOTALL,
)
_DOT = "\uf8ff"  # a dot within a name, while dots part names: a private code point, never said
_COMPARE = {"=", "<>", "!=", "<", ">", "<=", ">=", "BETWEEN", "IN"}
_TEXT_OPERATORS = {"LIKE", "ILIKE", "~", "~*", "!~", "!~*", "RLIKE", "REGEXP"}
_TEXT_FUNCTIONS = {
    "UPPER", "LOWER", "LENGTH", "CHAR_LENGTH", "STARTS_WITH", "ENDS_WITH", "REGEXP_LIKE", "TRIM",
    "LTRIM", "RTRIM", "LEFT", "RIGHT", "SUBSTR", "SUBSTRING", "STRPOS", "REPLACE", "CONCAT",
}  # fmt: skip
_ALONE = {None, "AND", "OR", "NOT", "(", ")"}


class Kind(Enum):
    """How a JSON value is read."""

    NUMBER = "number"
    WHOLE = "whole"
    TEXT = "text"
    TRUTH = "truth"


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

    def rows(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The rows of `frame` for which it holds, with the columns of `frame`.

        Raises:
            DescriptionError: if the library refuses these rows after all.
        """
        if self.expr is None or frame.height == 0:
            return frame
        missing = [c for c in TABLES[self.table] if c not in frame.columns]
        wide = frame.with_columns(
            pl.lit(None, dtype=TABLES[self.table][c]).alias(c) for c in missing
        ).with_columns(value.expr().alias(name) for name, value in self.values)
        try:
            return wide.filter(self.expr).select(frame.columns)
        except pl.exceptions.PolarsError as error:
            raise DescriptionError(_refused(self.text, error)) from error


def condition(text: str, table: str, place: Place | None = None) -> Condition:
    """Check a condition and make it ready.

    Args:
        text: SQL, or nothing for every row.
        table: one of `TABLES`.
        place: where it was written, for errors.

    Raises:
        DescriptionError: no such table or column, not SQL, not about one row, or types that do not
            go together.
    """
    _check_table(table, place)
    if not text.strip():
        return Condition("", table, None, ())
    sql, values = _with_paths_as_columns(text)
    try:
        expr = pl.sql_expr(sql)
        names = expr.meta.root_names()
    except pl.exceptions.PolarsError as error:
        raise DescriptionError(
            _refused(text, error),
            place=place,
            mend="A condition is SQL as after WHERE, such as: address = 46 AND NOT address_acked",
        ) from error
    _check_columns(table, [n for n in names if n not in values], place)
    _check_columns(table, [value.name for value in values.values()], place)
    made = Condition(text, table, expr, tuple(values.items()))
    _try(made, expr, place)
    return made


def _try(made: Condition, expr: pl.Expr, place: Place | None) -> None:
    """Run it over two made-up rows: types and patterns are checked only when it runs."""
    schema = dict(TABLES[made.table])
    wide = pl.DataFrame(_two_rows(schema), schema=schema).with_columns(
        value.expr().alias(name) for name, value in made.values
    )
    try:
        got = wide.select(expr).to_series()
    except pl.exceptions.PolarsError as error:
        mend = f"Columns of {made.table}: {_columns_text(made.table)}."
        raise DescriptionError(_refused(made.text, error), place=place, mend=mend) from error
    windowed = any(token.upper() == "OVER" for token in _TOKEN.findall(made.text))
    if windowed or len(got) != wide.height:
        raise DescriptionError(
            f"condition {made.text!r} is not about one row",
            place=place,
            mend="Compare columns; sums, counts and windows over rows are not possible here.",
        )
    if got.dtype != pl.Boolean:
        raise DescriptionError(
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
    tokens = _TOKEN.findall(text)
    solid = [k for k, token in enumerate(tokens) if not token.isspace()]
    values: dict[str, Value] = {}
    for position, k in enumerate(solid):
        name = _unquoted(tokens[k])
        if not is_path(name) or tokens[k].startswith("'"):
            continue
        before = [tokens[j] for j in reversed(solid[:position])]
        after = [tokens[j] for j in solid[position + 1 :]]
        value = Value(name, _kind(before, after))
        column = f"{name} as {value.kind.value}"
        values[column] = value
        tokens[k] = '"' + column.replace('"', '""') + '"'
    return "".join(tokens), values


def _kind(before: list[str], after: list[str]) -> Kind:
    """What a path is compared with; `before` is read backwards from it."""
    after = [t for t in after if t.upper() != "NOT"]
    word = after[0].upper() if after else None
    called = before[1].upper() if len(before) > 1 and before[0] == "(" else None
    if word in _TEXT_OPERATORS or called in _TEXT_FUNCTIONS or word == "IS":
        return Kind.TEXT
    for operator, others in ((after[:1], after[1:]), (before[:1], before[1:])):
        if operator and operator[0].upper() in _COMPARE:
            literal = next((t for t in others if t != "("), "")
            if literal.startswith("'"):
                return Kind.TEXT
            if literal.upper() in ("TRUE", "FALSE"):
                return Kind.TRUTH
            return Kind.NUMBER
    previous = before[0].upper() if before else None
    if previous in _ALONE and word in _ALONE and called in (*_ALONE, "("):
        return Kind.TRUTH
    return Kind.NUMBER


def _unquoted(token: str) -> str:
    """`fields."cap-colour"` and `"fields.cap-colour"` as fields.cap-colour.

    A dot inside the quotes of one step (`fields."cap.colour"`) is part of the name, and stands
    for itself as _DOT.
    """
    parts = re.findall(r'"((?:[^"]|"")*)"|([^."]+)', token)
    if len(parts) == 1:
        return str(parts[0][0].replace('""', '"') or parts[0][1])
    return ".".join(q.replace('""', '"').replace(".", _DOT) or plain for q, plain in parts)


def _json_path(name: str) -> str:
    """`fields.blocks.0.x` as a JSON path."""
    steps = name.split(".")[1:]
    return "$" + "".join(f"[{s}]" if s.isdigit() else f"['{_in_path(s)}']" for s in steps)


def _in_path(step: str) -> str:
    return step.replace("'", "\\'").replace(_DOT, ".")


def _column_as(name: str, kind: Kind) -> pl.Expr:
    column = pl.col(name)
    return column.cast(pl.Int64) if kind is Kind.WHOLE else column


def _is_number(kind: pl.DataType) -> bool:
    return kind.is_numeric()


def _check_table(table: str, place: Place | None) -> None:
    if table not in TABLES:
        mend = closest_hint(table, TABLES, "tables")
        raise DescriptionError(f"no table named {table!r}", place=place, mend=mend)


def _check_columns(table: str, names: Iterable[str], place: Place | None) -> None:
    known = TABLES[table]
    for name in names:
        if is_path(name) and "\\" in name:
            words = f"{name!r} has a backslash, and no path can say one"
            raise DescriptionError(words, place=place, mend="Compare the payload's text instead.")
        if name in known or (is_path(name) and JSON_COLUMN in known):
            continue
        words = f"no column named {name!r} in {table}"
        raise DescriptionError(words, place=place, mend=closest_hint(name, known, "columns"))


def _columns_text(table: str) -> str:
    words = {"i": "a number", "u": "a number", "S": "text", "B": "true or false", "L": "words"}
    return ", ".join(
        f"{name} ({words[str(kind)[0].lower() if kind.is_integer() else str(kind)[0]]})"
        for name, kind in TABLES[table].items()
    )


def _refused(text: str, error: Exception) -> str:
    reason = " ".join(str(error).split("\n\n")[0].split())
    reason = re.sub(r'"?([^"]*) as (?:number|whole|text|truth)"?', r"\1", reason)
    return f"condition {text!r} cannot be used: {reason}"
