"""Payloads that change their shape at one instant are told; optional keys are not."""

from __future__ import annotations

import json
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.watch.findings import Finding
from console.watch.names import Names
from console.watch.payload_shape import PayloadShape, shape_of
from tests.console.watch.runs import S, Tables, table, watched

OLD = {"level": 12, "unit": "mm", "caps": ["red"], "at": {"belt": 1.5}}


def messages(payloads: Sequence[object], topic: str = "capline/hopper/level") -> Tables:
    rows = [
        {
            "t_ns": k * S,
            "source": "broker",
            "topic": topic,
            "payload": json.dumps(payload),
            "fields": json.dumps(payload) if isinstance(payload, dict) else None,
            "retain": False,
        }
        for k, payload in enumerate(payloads)
    ]
    return {"messages": table("messages", rows)}


def found(tables: Tables, cuts: Sequence[int] = ()) -> list[Finding]:
    return watched([PayloadShape(Names())], tables, 100 * S, cuts)


def changed(new: object) -> list[str]:
    return [f.evidence["problem"] for f in found(messages([OLD] * 10 + [new] * 10))]


@pytest.mark.parametrize(
    ("new", "words"),
    [
        ({**OLD, "level": "12"}, "level is text and was number"),
        ({k: v for k, v in OLD.items() if k != "unit"}, "unit is gone"),
        ({**OLD, "version": "1.3"}, "version is new (text)"),
        ({**OLD, "at": {"line": 1}}, "at.belt is gone, at.line is new (number)"),
        ({**OLD, "level": None}, "level is null and was number"),
        ([1, 2], "the payload is no JSON and was object"),
    ],
)
def test_a_change_of_shape_is_told_in_words(new: object, words: str) -> None:
    (told,) = changed(new)
    assert words in told


@pytest.mark.parametrize(
    "new",
    [
        {**OLD, "level": -1.5e3},
        {**OLD, "unit": 'a "quoted": 7, text'},
        {**OLD, "caps": []},
        {**OLD, "caps": ["red", "green", "red"]},
        {key: OLD[key] for key in sorted(OLD)},
    ],
)
def test_other_values_are_no_other_shape(new: object) -> None:
    assert changed(new) == []


def test_a_key_that_comes_and_goes_is_optional() -> None:
    assert found(messages([OLD, {**OLD, "error": 1}, OLD, OLD] * 10)) == []


def test_a_first_message_unlike_the_others_is_no_drift() -> None:
    assert found(messages([{"hello": 1}] + [OLD] * 20)) == []


def test_the_instant_and_the_version_printed_just_before_it_are_told() -> None:
    tables = messages([OLD] * 10 + [{**OLD, "level": "12"}] * 10)
    tables["prints"] = table(
        "prints",
        [
            {"t_ns": 3 * S, "source": "controller", "text": "firmware 1.2.0"},
            {"t_ns": 9 * S, "source": "controller", "text": "boot: firmware 1.3.0"},
            {"t_ns": 12 * S, "source": "controller", "text": "boot: firmware 1.4.0"},
        ],
    )
    (finding,) = found(tables)
    assert finding.t_ns == 10 * S
    assert finding.summary == (
        "capline/hopper/level: from 00:10.000 on level is text and was number; "
        "just before: controller: boot: firmware 1.3.0"
    )
    assert (finding.evidence["messages_before"], finding.evidence["messages_since"]) == (10, 10)


def test_topics_are_judged_by_themselves() -> None:
    one = messages([OLD] * 20, "a")["messages"]
    other = messages([OLD] * 10 + [{"level": 1}] * 10, "b")["messages"]
    both = one.vstack(other).sort("t_ns")
    assert [f.evidence["topic"] for f in found({"messages": both})] == ["b"]


def test_payloads_without_any_common_shape_are_left_alone() -> None:
    assert found(messages([{f"key{k}": 1} for k in range(100)])) == []


@given(st.lists(st.integers(0, 30), max_size=5))
def test_the_findings_do_not_depend_on_how_the_run_is_cut(seconds: list[int]) -> None:
    payloads = [OLD] * 9 + [{**OLD, "level": "x"}] * 6 + [{**OLD, "level": "x", "new": 1}] * 9
    tables = messages(payloads)
    tables["prints"] = table(
        "prints",
        [{"t_ns": k * 2 * S, "source": "controller", "text": f"restart {k}"} for k in range(10)],
    )
    assert found(tables, sorted(k * S for k in seconds)) == found(tables)


def test_numbers_inside_keys_stay() -> None:
    assert shape_of('{\x01p10\x02:0,\x01p25\x02:""}') == {
        ("", "object"),
        ("p10", "number"),
        ("p25", "text"),
    }
