"""One table as JSON lines, CSV or Parquet."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from typing import IO

import polars as pl

from console.printable import printable

FORMATS = ("jsonl", "csv", "parquet")
SLICE_ROWS = 50_000
JSON_TEXT_COLUMNS = ("fields", "evidence")  # held as JSON text, exported as objects


def write_table(table: pl.DataFrame, form: str, out: IO[bytes]) -> None:
    """Write the table whole; JSON lines and CSV in slices, so that a cut output ends with a row.

    Args:
        table: any table of a run.
        form: one of FORMATS.
        out: where to; parquet is written at once.
    """
    if form == "parquet":
        whole = io.BytesIO()  # the library hides a closed pipe in an error of its own
        table.write_parquet(whole)
        out.write(whole.getbuffer())
        return
    for k, part in enumerate(_slices(table)):
        if form == "csv":
            out.write(_flat(part).write_csv(include_header=k == 0).encode())
        else:
            out.write("".join(_json_lines(part)).encode())
        out.flush()


def _slices(table: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """The table in slices; an empty one gives one empty slice, for the header."""
    yield from (table.iter_slices(SLICE_ROWS) if table.height else [table])


def _flat(part: pl.DataFrame) -> pl.DataFrame:
    """Lists as words, and texts so that no control character of theirs reaches a terminal."""
    lists = [name for name, kind in part.schema.items() if isinstance(kind, pl.List)]
    return part.with_columns(pl.col(lists).cast(pl.List(pl.String)).list.join(" ")).with_columns(
        pl.col(pl.String).map_elements(printable, return_dtype=pl.String)
    )


def one_line_json(value: object) -> str:
    """JSON in ASCII, with DEL escaped too: it is a control, and JSON lets it stand."""
    return json.dumps(value).replace("\x7f", "\\u007f")


def _json_lines(part: pl.DataFrame) -> Iterator[str]:
    texts = [name for name in JSON_TEXT_COLUMNS if name in part.columns]
    for row in part.iter_rows(named=True):
        for name in texts:
            row[name] = json.loads(row[name]) if row[name] is not None else None
        yield one_line_json(row) + "\n"
