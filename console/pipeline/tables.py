"""The tables of a run by name, and rows of them chosen by an SQL condition."""

from __future__ import annotations

import polars as pl

from console.bench.conditions import condition
from console.bench.tables import TABLES as EVENT_TABLES
from decoders.errors import DescriptionError

# What a run has besides its events.
TABLES = (*EVENT_TABLES, "clocks", "trust", "findings")


def empty_tables() -> dict[str, pl.DataFrame]:
    """Every event table without a row."""
    return {name: pl.DataFrame(schema=schema) for name, schema in EVENT_TABLES.items()}


def chosen_rows(table: pl.DataFrame, name: str, where: str | None) -> pl.DataFrame:
    """The rows for which `where` holds, all when it is None.

    Raises:
        DescriptionError: if the condition is not SQL, or about columns the table does not have.
    """
    if where is None:
        return table
    if name in EVENT_TABLES:
        return condition(where, name).rows(table)
    try:
        return table.filter(pl.sql_expr(where))
    except pl.exceptions.PolarsError as error:
        raise DescriptionError(
            f"condition {where!r} cannot be used: {str(error).splitlines()[0]}",
            mend=f"Columns of {name}: {', '.join(table.columns)}.",
        ) from error
