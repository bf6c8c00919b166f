"""Tables as files: whole rows, exact where the form allows it."""

from __future__ import annotations

import io
import json

import polars as pl
import pytest

from console.report.export import SLICE_ROWS, write_table

TABLE = pl.DataFrame(
    {
        "t_ns": [1, 2],
        "text": ["\x1b[31mred", "a,\"b\"\nc"],
        "problems": [["pec", "spike"], []],
        "fields": ['{"x": 1}', None],
    },
    schema={
        "t_ns": pl.Int64, "text": pl.String, "problems": pl.List(pl.String), "fields": pl.String,
    },
)  # fmt: skip


def written(table: pl.DataFrame, form: str) -> bytes:
    out = io.BytesIO()
    write_table(table, form, out)
    return out.getvalue()


def test_json_lines_hold_texts_exactly_in_plain_ascii() -> None:
    data = written(TABLE, "jsonl")
    assert data.isascii()
    assert [json.loads(line) for line in data.splitlines()] == [
        {"t_ns": 1, "text": "\x1b[31mred", "problems": ["pec", "spike"], "fields": {"x": 1}},
        {"t_ns": 2, "text": 'a,"b"\nc', "problems": [], "fields": None},
    ]


def test_csv_shows_control_characters_and_joins_lists() -> None:
    back = pl.read_csv(io.BytesIO(written(TABLE, "csv")))
    assert back["text"].to_list() == ["␛[31mred", 'a,"b"␊c']
    assert back["problems"].to_list() == ["pec spike", ""]


def test_parquet_gives_the_same_table_back() -> None:
    assert pl.read_parquet(io.BytesIO(written(TABLE, "parquet"))).equals(TABLE)


@pytest.mark.parametrize(("form", "lines"), [("jsonl", 0), ("csv", 1)])
def test_an_empty_table_has_its_header_alone(form: str, lines: int) -> None:
    assert len(written(TABLE.clear(), form).splitlines()) == lines


def test_csv_has_one_header_however_many_slices() -> None:
    table = pl.DataFrame({"t_ns": range(SLICE_ROWS + 1)})
    assert len(written(table, "csv").splitlines()) == SLICE_ROWS + 2
