from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from decoders.messages.columns import Messages
from decoders.messages.payload import field, fields_json, is_json
from decoders.messages.recording import MessageDecoder


def table(*payloads: str | bytes) -> Messages:
    decoder = MessageDecoder("broker.jsonl")
    lines = [
        json.dumps(
            {"t": k, "topic": "a", "payload_hex": (p.encode() if isinstance(p, str) else p).hex()}
        )
        for k, p in enumerate(payloads)
    ]
    return decoder.feed("\n".join([*lines, ""]).encode())


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("level", 41),
        ("blocks.0.colour", "red"),
        ("blocks.1.colour", "blue"),
        ("a.b", 1),
        ("a.c.d", 2),
        ("deep.x.y", None),
        ("blocks.2.colour", None),
        ("blocks.-1.colour", None),
        ("blocks.colour", None),
        ("missing", None),
        ("", None),
        ("level.x", None),
    ],
)
def test_a_path_reaches_into_objects_and_arrays(path: str, expected: Any) -> None:
    messages = table(
        '{"level": 41, "blocks": [{"colour": "red"}, {"colour": "blue"}],'
        ' "a.b": 1, "a": {"c.d": 2}, "deep": null}'
    )
    values, present = field(messages, path)
    assert (values[0] if present[0] else None) == expected


@pytest.mark.parametrize(
    ("payloads", "dtype", "values"),
    [
        (['{"x": 1}', '{"x": 9223372036854775807}'], np.int64, [1, 2**63 - 1]),
        (['{"x": 1}', '{"x": 0.5}'], np.float64, [1.0, 0.5]),
        (['{"x": true}', '{"x": false}'], np.bool_, [True, False]),
        (['{"x": "a"}', '{"x": 1}'], np.object_, ["a", 1]),
        (['{"x": true}', '{"x": 1}'], np.object_, [True, 1]),
        (['{"x": 18446744073709551616}', '{"x": 1}'], np.object_, [2**64, 1]),
        (['{"x": [1, 2]}', '{"x": [3, 4]}'], np.object_, [[1, 2], [3, 4]]),
    ],
)
def test_a_column_has_the_narrowest_type_that_is_exact(
    payloads: list[str], dtype: type[Any], values: list[Any]
) -> None:
    column, present = field(table(*payloads), "x")
    assert column.dtype == dtype
    assert column.tolist() == values
    assert present.all()


def test_rows_without_the_field_are_masked() -> None:
    column, present = field(table('{"x": 1}', "not json", '{"x": null}', '{"x": 3}'), "x")
    assert column.tolist() == [1, 0, 0, 3]
    assert present.tolist() == [True, False, False, True]


def test_a_bare_value_is_reached_as_value() -> None:
    column, present = field(table("41.7", "42", "full"), "value")
    assert present.tolist() == [True, True, False]
    assert column[:2].tolist() == [41.7, 42.0]


def test_no_messages_give_an_empty_column() -> None:
    column, present = field(table(), "x")
    assert (len(column), len(present), fields_json(table())) == (0, 0, [])


@pytest.mark.parametrize(
    ("payload", "text"),
    [
        ('{"a": 1, "b": [1.50, "x"]}', '{"a":1,"b":[1.5,"x"]}'),
        ("[1, 2]", "[1,2]"),
        ("41.7", '{"value":41.7}'),
        ('"on"', '{"value":"on"}'),
        ("null", '{"value":null}'),
        ('{"a": 1, "a": 2}', '{"a":2}'),
        ('{"a": NaN, "b": -Infinity, "c": 1e999}', '{"a":null,"b":null,"c":null}'),
        ('{"a": ' + "9" * 5000 + "}", '{"a":null}'),
        ('{"a": 123456789012345678901234567890}', '{"a":123456789012345678901234567890}'),
        ("[" * 100_000 + "]" * 100_000, None),
        ('{"a": ["\\ud800"]}', '{"a":["\\\\ud800"]}'),
        ("on", None),
        ("", None),
        ('{"a": 1', None),
        (b'{"a": "\xff"}', None),
        (b"\x00\xff", None),
    ],
    ids=range(16),
)
def test_fields_are_valid_json_text_or_none(payload: str | bytes, text: str | None) -> None:
    messages = table(payload)
    assert fields_json(messages) == [text]
    assert is_json(messages).tolist() == [text is not None]
