from __future__ import annotations

from console.bench.load import load_bench
from console.timeline.numbers.number_limits import NumberLimit, limits_of
from console.timeline.numbers.numeric_fields import numbers_of, numeric_fields
from tests.console.timeline.number_tables import messages, packets, packets_described, table

RULES = """
[[rule]]
kind = "limits"
name = "caps are left"
table = "messages"
field = "fields.cm"
where = "topic = 'cap/level'"
min = 20
max = 120.5

[[rule]]
kind = "limits"
name = "of another topic"
table = "messages"
field = "fields.cm"
where = "topic = 'cap/other'"
max = 3

[[rule]]
kind = "limits"
name = "blocks lie in the picture"
table = "packets"
field = "fields.blocks.0.x"
max = 319
"""


def test_rules_limit_the_rows_their_condition_chooses() -> None:
    tables = {"messages": messages(['{"cm":19}', '{"cm":121}', '{"cm":120.5}'])}
    [field] = numeric_fields(tables)
    [limit] = limits_of(field, tables, load_bench(RULES, "bench.toml").rules, {})
    assert limit == NumberLimit(20.0, 120.5, "caps are left")
    assert limit.outside(numbers_of(tables, field)) == 2


def test_allowed_ranges_of_a_description_limit_items_and_bits() -> None:
    tables = {"packets": packets(['{"state":{"turns":3},"blocks":[{"x":10},{"x":400}]}'] * 2)}
    described = packets_described()
    found = {
        field.path: limits_of(field, tables, [], described)
        for field in numeric_fields(tables, described)
    }
    assert found == {
        "fields.state.turns": [NumberLimit(None, 9.0, "allowed range")],
        "fields.blocks.0.x": [NumberLimit(None, 319.0, "allowed range")],
        "fields.blocks.1.x": [NumberLimit(None, 319.0, "allowed range")],
    }


def test_a_rule_that_says_what_the_description_says_is_told_once_by_its_name() -> None:
    tables = {"packets": packets(['{"blocks":[{"x":10}]}'] * 2)}
    described = packets_described()
    [field] = numeric_fields(tables, described)
    rules = load_bench(RULES, "bench.toml").rules
    assert limits_of(field, tables, rules, described) == [
        NumberLimit(None, 319.0, "blocks lie in the picture")
    ]


def test_the_time_for_a_reply_limits_the_latency_of_its_request() -> None:
    row = {"request_ns": 0, "device": "camera", "request": "ask", "latency_ns": 5}
    tables = {"exchanges": table("exchanges", [row, row])}
    [field] = numeric_fields(tables)
    assert limits_of(field, tables, [], packets_described()) == [
        NumberLimit(None, 20_000_000.0, "blocks within")
    ]
