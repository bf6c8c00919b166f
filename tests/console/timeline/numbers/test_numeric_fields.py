from __future__ import annotations

from collections.abc import Iterable

from console.timeline.numbers.numeric_fields import NumericField, numbers_of, numeric_fields
from tests.console.timeline.number_tables import messages, packets, packets_described, table

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


def test_numbers_of_messages_are_known_by_topic_and_path() -> None:
    tables = {"messages": messages(['{"cm":89.2,"low":false}', None, '{"cm":88.7,"low":true}'])}
    [field] = numeric_fields(tables)
    assert told([field]) == [("broker", "cap/level", "fields.cm", "cm")]
    assert field.unit == "cm"
    assert numbers_of(tables, field).values.tolist() == [89.2, 88.7]
    assert numbers_of(tables, field).band_ns.tolist() == [7, 7]


def test_a_field_that_begins_late_in_a_long_run_is_found() -> None:
    late = ['{"n":1}'] * 900 + ['{"n":2,"heap":41000}'] * 100
    fields = numeric_fields({"messages": messages(late)})
    assert [field.name for field in fields] == ["n", "heap"]


def test_tables_without_rows_have_no_numbers() -> None:
    empty = {name: table(name, []) for name in ("prints", "messages", "packets", "exchanges")}
    assert numeric_fields(empty) == []
