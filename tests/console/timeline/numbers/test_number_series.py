from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from console.timeline.numbers.numeric_fields import NumericField, numbers_of, numeric_fields
from tests.console.timeline.number_tables import messages, packets, packets_described, prints

BLOCKS = [
    '{"sum":1,"state":{"turns":3,"mode":0},"blocks":[]}',
    '{"sum":2,"state":{"turns":4,"mode":0},"blocks":[{"x":10,"sum":8}]}',
    '{"sum":3,"state":{"turns":4,"mode":0},"blocks":[{"x":20,"sum":9},{"x":30,"sum":7}]}',
]


def named(fields: Iterable[NumericField], path: str) -> NumericField:
    [found] = [field for field in fields if field.path == path]
    return found


def test_rows_without_a_time_are_left_out() -> None:
    frame = prints(["level 1", "level 2", "level 3"]).with_columns(
        t_ns=pl.Series([0, None, 2_000], dtype=pl.Int64)
    )
    [field] = numeric_fields({"prints": frame})
    series = numbers_of({"prints": frame}, field)
    assert (series.values.tolist(), series.row.tolist()) == ([1.0, 3.0], [0, 2])


def test_numbers_too_large_for_a_float_are_left_out() -> None:
    tables = {"messages": messages(['{"n":1e999}', '{"n":1}', '{"n":2}'])}
    [field] = numeric_fields(tables)
    assert numbers_of(tables, field).values.tolist() == [1.0, 2.0]


def test_the_nearest_value_is_the_earlier_of_two() -> None:
    tables = {"prints": prints(["level 1", "level 2", "level 3"])}
    [field] = numeric_fields(tables)
    series = numbers_of(tables, field)
    assert [series.nearest(t) for t in (-5, 400, 500, 501, 9_000)] == [0, 0, 0, 1, 2]


def test_a_name_used_twice_in_a_packet_is_read_at_its_own_place() -> None:
    tables = {"packets": packets(BLOCKS)}
    fields = numeric_fields(tables, packets_described())
    assert named(fields, "fields.sum").nth is None
    assert numbers_of(tables, named(fields, "fields.sum")).values.tolist() == [1.0, 2.0, 3.0]
    assert numbers_of(tables, named(fields, "fields.blocks.0.sum")).values.tolist() == [8.0, 9.0]


def test_values_a_description_has_names_for_are_left_out() -> None:
    tables = {"packets": packets(['{"mode":"idle"}', '{"mode":3}', '{"mode":4}'])}
    [field] = numeric_fields(tables)
    assert numbers_of(tables, field).values.tolist() == [3.0, 4.0]


def test_names_with_dots_and_spaces_are_read() -> None:
    tables = {"messages": messages(['{"a.b":{"c d":1}}', '{"a.b":{"c d":2}}'])}
    [field] = numeric_fields(tables)
    assert numbers_of(tables, field).values.tolist() == [1.0, 2.0]
