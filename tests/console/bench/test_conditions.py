"""SQL conditions over the tables, with paths into JSON, and what is refused."""

from __future__ import annotations

import polars as pl
import pytest

from console.bench.conditions import Kind, condition, value_of
from console.bench.tables import TABLES
from decoders.errors import DescriptionError, Place

ROWS = pl.DataFrame(
    [
        {
            "t_ns": 1,
            "topic": "a",
            "qos": 0,
            "fields": '{"cm": 5, "c": "red", "ok": true, "blocks": [{"x": 3}], "cap-top": "blue",'
            ' "it\'s": 1, "cap.top": 2, "a\\"b": 3}',
        },
        {"t_ns": 2, "topic": "b", "qos": 1, "fields": '{"cm": "7", "ok": false}'},
        {"t_ns": 3, "topic": "a", "qos": 1, "fields": "no JSON"},
        {"t_ns": 4, "topic": "it's", "qos": 2, "fields": None},
    ]
)
AT = Place("bench.toml", 7)


@pytest.mark.parametrize(
    ("text", "times"),
    [
        ("", [1, 2, 3, 4]),
        ("qos > 0 AND topic = 'a'", [3]),
        ("topic = 'it''s'", [4]),
        ("fields.cm > 3", [1, 2]),
        ("3 < fields.cm", [1, 2]),
        ("fields.cm BETWEEN 6 AND 8", [2]),
        ("fields.cm + 1 = 6", [1]),
        ("fields.c = 'red'", [1]),
        ("fields.c IN ('red', 'green')", [1]),
        ("fields.c NOT LIKE 'b%'", [1]),
        ("upper(fields.c) = 'RED'", [1]),
        ("fields.ok", [1]),
        ("NOT fields.ok", [2]),
        ("fields.ok = false", [2]),
        ("(fields.ok) OR topic = 'b'", [1, 2]),
        ("fields.cm IS NULL", [3, 4]),
        ("fields.blocks.0.x = 3", [1]),
        ("\"fields.cap-top\" = 'blue'", [1]),
        ("fields.\"cap-top\" LIKE 'b%'", [1]),
        ("topic = 'fields.cm'", []),
        ('fields."it\'s" = 1', [1]),
        ('"fields.it\'s" = 1', [1]),
        ('fields."cap.top" = 2', [1]),
        ('fields."a""b" = 3', [1]),
        ('fields."]x[" = 3', []),
        ("qos = 0x02", [4]),
        ("fields.cm = 0x5", [1]),
        ("topic = '0x05'", []),
    ],
)
def test_a_condition_selects_its_rows(text: str, times: list[int]) -> None:
    assert condition(text, "messages").rows(ROWS)["t_ns"].to_list() == times


@pytest.mark.parametrize("text", ["", "qos > 0", "fields.cm > 3", "topic = NULL"])
def test_what_holds_is_what_is_selected(text: str) -> None:
    made = condition(text, "messages")
    holds = made.holds(ROWS)
    assert holds.null_count() == 0
    assert ROWS.filter(holds).equals(made.rows(ROWS))


@pytest.mark.parametrize(
    "text",
    ["fields.cm > 3 AND qos = 0", "fields.nowhere IS NULL", "fields.ok", "fields.c LIKE 'r%'"],
)
def test_many_rows_are_read_as_few_are(text: str) -> None:
    many = pl.concat([ROWS] * 30_000)
    made = condition(text, "messages")
    assert made.holds(many).to_list() == made.holds(ROWS).to_list() * 30_000


def test_a_table_may_have_columns_of_its_own() -> None:
    schema = {"to_ns": pl.Int64(), "late": pl.Boolean()}
    frame = pl.DataFrame({"to_ns": [1, 2], "late": [True, False]}, schema=schema)
    assert condition("late AND to_ns < 9", "own", None, schema).rows(frame)["to_ns"][0] == 1
    with pytest.raises(DescriptionError, match="no column named 'lat' in own") as caught:
        condition("lat", "own", None, schema)
    assert "Did you mean 'late'?" in caught.value.mend


def test_selected_rows_keep_the_columns_they_came_with() -> None:
    assert condition("fields.cm > 3", "messages").rows(ROWS).columns == ROWS.columns


def test_how_a_value_is_read_does_not_depend_on_the_rows() -> None:
    texts = pl.DataFrame({"t_ns": [1, 2], "fields": ['{"v": "x"}', '{"v": "9"}']})
    chosen = condition("fields.v > 3", "messages")
    assert [chosen.rows(texts[k : k + 1]).height for k in range(2)] == [0, 1]


@pytest.mark.parametrize(
    ("text", "message", "mend"),
    [
        ('fields."a\\b" = 1', "has a backslash", "payload"),
        ("topix = 'a'", "no column named 'topix' in messages", "Did you mean 'topic'?"),
        ("qos >", "condition 'qos >' cannot be used", "SQL as after WHERE"),
        ("fields.cm >", "unable to parse 'fields.cm >'", "SQL as after WHERE"),
        ("topic > 3", "cannot compare string with numeric", "topic (text)"),
        ("topic ~ '['", "unclosed character class", "topic (text)"),
        ("qos", "gives no true or false", "Compare it with something"),
        ("sum(qos) > 3", "is not about one row", "Compare columns"),
        ("row_number() OVER () > 1", "is not about one row", "Compare columns"),
        ("count(*) > 1", "is not about one row", "Compare columns"),
        ("qos = (SELECT 1)", "cannot be used", "Columns of messages"),
        ("retain topic", "something stands behind its end", "SQL as after WHERE"),
    ],
)
def test_a_wrong_condition_is_refused_with_its_line(text: str, message: str, mend: str) -> None:
    with pytest.raises(DescriptionError) as caught:
        condition(text, "messages", AT)
    assert caught.value.place == AT
    assert message in caught.value.message
    assert mend in caught.value.mend


def test_an_unknown_table_is_refused_with_the_closest() -> None:
    with pytest.raises(DescriptionError, match="no table named 'packet'") as caught:
        condition("", "packet", AT)
    assert "Did you mean 'packets'?" in caught.value.mend


def test_a_table_without_fields_has_no_paths() -> None:
    with pytest.raises(DescriptionError, match=r"no column named 'fields\.x' in transactions"):
        condition("fields.x = 1", "transactions")


def test_words_of_a_list_can_be_asked_for() -> None:
    table = pl.DataFrame(
        {"start_ns": [1, 2], "problems": [["pec"], []]},
        schema_overrides={"problems": pl.List(pl.String)},
    )
    chosen = condition("array_contains(problems, 'pec')", "transactions").rows(table)
    assert chosen["start_ns"].to_list() == [1]


def test_a_value_that_is_no_number_is_refused_where_one_is_wanted() -> None:
    with pytest.raises(DescriptionError, match="'topic' of messages is no number") as caught:
        value_of("messages", "topic", Kind.NUMBER, AT)
    assert "t_ns, qos" in caught.value.mend


def test_whole_numbers_stay_exact_above_what_a_float_holds() -> None:
    rows = pl.DataFrame({"fields": ['{"n": 9007199254740993}', '{"n": 5.0}', '{"n": 5.5}']})
    value = value_of("messages", "fields.n", Kind.WHOLE)
    assert rows.select(value.expr()).to_series().to_list() == [9007199254740993, 5, None]


def test_every_table_begins_with_the_time_it_is_sorted_by() -> None:
    assert {next(iter(schema)) for schema in TABLES.values()} == {"start_ns", "t_ns", "request_ns"}


@pytest.mark.parametrize("name", ["a'b", "a]b", "['", "\u202e", "é x", "$", "*", "'"])
def test_no_name_of_a_field_breaks_a_condition(name: str) -> None:
    got = value_of("messages", f"fields.{name}", Kind.NUMBER)
    assert ROWS.select(got.expr()).to_series().null_count() == 4


@pytest.mark.parametrize("table", TABLES)
def test_a_sum_of_text_is_refused_with_the_columns_of_its_table(table: str) -> None:
    column = next(name for name, kind in TABLES[table].items() if kind == pl.String())
    with pytest.raises(DescriptionError) as caught:
        condition(f"{column} * {column} > 1", table)
    assert f"{column} (text)" in caught.value.mend
    assert f"{next(iter(TABLES[table]))} (a number)" in caught.value.mend
