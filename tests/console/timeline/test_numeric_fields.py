from __future__ import annotations

from collections.abc import Iterable

import polars as pl
import pytest

from console.timeline.numeric_fields import NumericField, numbers_of, numeric_fields
from tests.console.timeline.number_tables import messages, packets, packets_described, prints, table

BLOCKS = [
    '{"sum":1,"state":{"turns":3,"mode":0},"blocks":[]}',
    '{"sum":2,"state":{"turns":4,"mode":0},"blocks":[{"x":10,"sum":8}]}',
    '{"sum":3,"state":{"turns":4,"mode":0},"blocks":[{"x":20,"sum":9},{"x":30,"sum":7}]}',
]


def named(fields: Iterable[NumericField], path: str) -> NumericField:
    [found] = [field for field in fields if field.path == path]
    return found


def told(fields: Iterable[NumericField]) -> list[tuple[str, str, str, str]]:
    return [(field.party, field.subject, field.path, field.name) for field in fields]


def test_latencies_are_a_field_of_each_request() -> None:
    exchanges = table(
        "exchanges",
        [
            {"request_ns": 0, "device": "camera", "request": "ask", "latency_ns": 1_250},
            {"request_ns": 5, "device": "camera", "request": "ask", "latency_ns": None},
            {"request_ns": 9, "device": "camera", "request": "ask", "latency_ns": 1_300},
        ],
    )
    [field] = numeric_fields({"exchanges": exchanges})
    series = numbers_of({"exchanges": exchanges}, field)
    assert told([field]) == [("camera", "ask", "latency_ns", "latency")]
    assert (field.unit, field.rows, field.varies) == ("ns", 2, True)
    assert (series.t_ns.tolist(), series.values.tolist()) == ([0, 9], [1_250.0, 1_300.0])
    assert (series.row.tolist(), series.band_ns.tolist()) == ([0, 2], [-1, -1])


def test_widths_of_high_and_low_pulses_are_fields_of_their_own() -> None:
    pulses = table(
        "pulses",
        [
            {"start_ns": k, "line": "servo", "high": k % 2 == 0, "width_ns": 1_500 + k}
            for k in range(6)
        ],
    )
    fields = numeric_fields({"pulses": pulses})
    assert told(fields) == [
        ("servo", "high", "width_ns", "width"),
        ("servo", "low", "width_ns", "width"),
    ]
    assert numbers_of({"pulses": pulses}, fields[1]).values.tolist() == [1501.0, 1503.0, 1505.0]


def test_items_of_a_repeat_are_fields_of_their_own_with_the_unit_of_the_description() -> None:
    tables = {"packets": packets(BLOCKS)}
    fields = numeric_fields(tables, packets_described())
    assert [(f.path, f.unit) for f in fields] == [
        ("fields.sum", ""),
        ("fields.state.turns", ""),
        ("fields.state.mode", ""),
        ("fields.blocks.0.x", "px"),
        ("fields.blocks.0.sum", ""),
        ("fields.blocks.1.x", "px"),
        ("fields.blocks.1.sum", ""),
    ]
    assert [f.varies for f in fields[:3]] == [True, True, False]
    first, second = named(fields, "fields.blocks.0.x"), named(fields, "fields.blocks.1.x")
    assert numbers_of(tables, first).values.tolist() == [10.0, 20.0]
    assert numbers_of(tables, first).row.tolist() == [1, 2]
    assert numbers_of(tables, second).values.tolist() == [30.0]


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


def test_numbers_of_messages_are_known_by_topic_and_path() -> None:
    tables = {"messages": messages(['{"cm":89.2,"low":false}', None, '{"cm":88.7,"low":true}'])}
    [field] = numeric_fields(tables)
    assert told([field]) == [("broker", "cap/level", "fields.cm", "cm")]
    assert field.unit == "cm"
    assert numbers_of(tables, field).values.tolist() == [89.2, 88.7]
    assert numbers_of(tables, field).band_ns.tolist() == [7, 7]


def test_names_with_dots_and_spaces_are_read() -> None:
    tables = {"messages": messages(['{"a.b":{"c d":1}}', '{"a.b":{"c d":2}}'])}
    [field] = numeric_fields(tables)
    assert numbers_of(tables, field).values.tolist() == [1.0, 2.0]


def test_a_field_that_begins_late_in_a_long_run_is_found() -> None:
    late = ['{"n":1}'] * 900 + ['{"n":2,"heap":41000}'] * 100
    fields = numeric_fields({"messages": messages(late)})
    assert [field.name for field in fields] == ["n", "heap"]


def test_numbers_in_sentences_are_known_by_the_word_before_them() -> None:
    tables = {"prints": prints(["hopper: poll 7 level 89.2 cm", "hopper: poll 8 level -3 cm"])}
    poll, level = numeric_fields(tables)
    assert told([poll, level]) == [
        ("board", "hopper: poll # level # cm", "text.0", "poll"),
        ("board", "hopper: poll # level # cm", "text.1", "level"),
    ]
    assert (poll.unit, level.unit) == ("", "cm")
    assert numbers_of(tables, level).values.tolist() == [89.2, -3.0]
    assert numbers_of(tables, level).t_ns.tolist() == [0, 1_000]


@pytest.mark.parametrize(
    ("texts", "names"),
    [
        (["i2c: bus 2e at 100 kHz", "i2c: bus 3e at 400 kHz"], ["at"]),  # no i2, no 2 of 2e
        (["gate reached in 165 ms", "gate reached in 188 ms"], ["reached in"]),
        (["1311 of them", "1312 of them"], ["of them"]),
        (["motor #1 at 200", "motor #2 at 300"], ["motor", "at"]),
        (["(7.5)", "(8.5)"], ["number 1"]),
        (["heap=41000;", "heap=40800;"], ["heap"]),
        (["nothing here", "nor here"], []),
    ],
)
def test_which_numbers_of_a_sentence_count_and_what_they_are_called(
    texts: list[str], names: list[str]
) -> None:
    fields = numeric_fields({"prints": prints(texts)})
    assert [field.name for field in fields] == names


@pytest.mark.parametrize("text", ["a.b* [x] {3} # (4|5) ^$ \\ 6", "\t~&- 7 \x1b[31m ]"])
def test_sentences_with_every_special_character_are_read(text: str) -> None:
    tables = {"prints": prints([text, text])}
    fields = numeric_fields(tables)
    assert fields
    assert [len(numbers_of(tables, field)) for field in fields] == [2] * len(fields)


def test_sentences_that_differ_in_a_word_are_not_mixed() -> None:
    tables = {"prints": prints(["level 1 cm", "level 2 mm", "level 3 cm", "level 4 mm"])}
    fields = numeric_fields(tables)
    assert [numbers_of(tables, f).values.tolist() for f in fields] == [[1.0, 3.0], [2.0, 4.0]]


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


def test_tables_without_rows_have_no_numbers() -> None:
    empty = {name: table(name, []) for name in ("prints", "messages", "packets", "exchanges")}
    assert numeric_fields(empty) == []


def test_the_nearest_value_is_the_earlier_of_two() -> None:
    tables = {"prints": prints(["level 1", "level 2", "level 3"])}
    [field] = numeric_fields(tables)
    series = numbers_of(tables, field)
    assert [series.nearest(t) for t in (-5, 400, 500, 501, 9_000)] == [0, 0, 0, 1, 2]
