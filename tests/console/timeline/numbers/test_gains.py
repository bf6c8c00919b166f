"""Gains as messages and prints set them."""

from __future__ import annotations

import json

import polars as pl

from console.timeline.numbers.gains import GainSet, gain_words, gains_set, in_force
from console.timeline.numbers.number_series import NumericField
from tests.console.timeline.linked_worlds import empty_tables, messages_of, prints_of

S = 1_000_000_000
SPEED = NumericField("messages", "broker", "belt/speed", "fields.rpm", "rpm", "rpm", 9, True, ())


def of(*messages: tuple[int, str, object], prints: list[tuple[int, str]] = []) -> list[GainSet]:  # noqa: B006 - never changed
    tables: dict[str, pl.DataFrame] = empty_tables()
    tables["messages"] = messages_of([(t, topic, json.dumps(v)) for t, topic, v in messages])
    tables["prints"] = prints_of(prints)
    return gains_set(tables)


def told(gains: list[GainSet]) -> list[tuple[int, str, float]]:
    return [(gain.t_ns, gain.name, gain.value) for gain in gains]


def test_gains_are_found_in_messages_however_deep() -> None:
    found = of((1 * S, "belt/gains", {"loop": {"Kp": 1.5, "K_i": 0.6}, "n": 3}))
    assert told(found) == [(1 * S, "kp", 1.5), (1 * S, "ki", 0.6)]


def test_gains_are_found_in_prints() -> None:
    found = of(prints=[(2 * S, "belt: loop kp=1.5 ki: 0.6 kd 0"), (3 * S, "kpa 101 ki")])
    assert told(found) == [(2 * S, "kp", 1.5), (2 * S, "ki", 0.6), (2 * S, "kd", 0.0)]


def test_a_gain_told_again_and_again_is_set_where_it_changes() -> None:
    values = [1.0, 1.0, 2.0, 2.0, 1.0]
    found = of(*((k * S, "belt/gains", {"kp": v}) for k, v in enumerate(values)))
    assert told(found) == [(0, "kp", 1.0), (2 * S, "kp", 2.0), (4 * S, "kp", 1.0)]


def test_those_in_force_are_the_last_set_before_p_before_i() -> None:
    found = of(
        (1 * S, "belt/gains", {"ki": 0.6, "kp": 1.5}),
        (5 * S, "belt/gains", {"kp": 0.5}),
    )
    assert gain_words(in_force(found, 4 * S)) == "kp 1.5, ki 0.6"
    assert gain_words(in_force(found, 5 * S)) == "kp 0.5, ki 0.6"
    assert in_force(found, 0) == []


def test_gains_told_beside_what_is_measured_are_taken_and_others_are_not() -> None:
    found = of((1 * S, "belt/gains", {"kp": 1.5}), (1 * S, "hopper/gains", {"kp": 9.0}))
    assert gain_words(in_force(found, 2 * S, SPEED)) == "kp 1.5"
    assert gain_words(in_force(found, 2 * S)) == "kp 1.5 (belt/gains), kp 9 (hopper/gains)"


def test_truths_and_texts_are_no_gains() -> None:
    assert of((1 * S, "belt/gains", {"kp": True, "ki": "0.6"})) == []


def test_a_run_without_messages_and_prints_has_none() -> None:
    assert gains_set({}) == []
