"""Events in a few words."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.tables import TABLES
from console.timeline.events import EVENT_TABLES
from console.timeline.words import event_row, event_words, problem_words, values_of
from decoders.buses.transactions import LINE_STATES, PROBLEMS
from tests.console.timeline.small_runs import SmallRun, cap_line, runs

WRITE: dict[str, Any] = {
    "read": False,
    "address": 0x2E,
    "data": "a55a30",
    "problems": [],
}


@settings(deadline=None)
@given(runs())
def test_every_event_of_any_run_has_words(run: SmallRun) -> None:
    for k in range(len(run.events)):
        table, row = event_row(run.tables, run.events, k)
        assert isinstance(event_words(table, row), str)
        assert row == run.tables[table].row(int(run.events.row[k]), named=True)


@pytest.mark.parametrize("table", EVENT_TABLES)
def test_a_row_of_which_nothing_is_known_has_words(table: str) -> None:
    blank = dict.fromkeys(
        [*TABLES.get(table, {}), "outcome", "to_table", "problems", "fields", "turn"], None
    )
    words = event_words(table, blank)
    assert isinstance(words, str)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (WRITE, "write a55a30"),
        (WRITE | {"read": True, "data": "00" * 40}, f"read {'00' * 12}.."),
        (WRITE | {"data": ""}, "write"),
        (WRITE | {"problems": ["address-nack"]}, "address not acknowledged (write)"),
        (WRITE | {"address": None, "problems": ["cut"]}, "cut"),
        (WRITE | {"address": None}, "cut transaction"),
    ],
)
def test_a_transaction_says_what_was_carried_or_what_is_wrong(
    row: dict[str, Any], words: str
) -> None:
    assert event_words("transactions", row) == words


@pytest.mark.parametrize(
    ("table", "row", "words"),
    [
        ("packets", {"packet": "blocks", "problems": ["check-code"], "fields": '{"n":1}'},
         "blocks wrong check code: n=1"),
        ("packets", {"packet": "blocks", "problems": None, "fields": '{"sync":1,"n":1}'},
         "blocks n=1"),
        ("exchanges", {"outcome": "none"}, "no reply"),
        ("exchanges", {"outcome": "not-observable"}, "reply not observable"),
        ("messages", {"topic": "line/cam/blocks", "payload": "x", "fields": '{"n":7}'},
         "cam/blocks n=7"),
        ("messages", {"topic": "state", "payload": "on", "fields": None}, "state on"),
        ("messages", {"topic": "state", "payload": None, "fields": None}, "state"),
        ("line_states", {"state": "sda-held", "turn": "target"}, "SDA held low, target to drive"),
        ("line_states", {"state": "busy", "turn": "unknown"}, "no STOP, lines high"),
        ("words", {"mosi": "9f", "miso": None, "problems": []}, "9f -> -"),
        ("pulses", {"high": True, "width_ns": 1_520_250}, "high for 1520.2 us"),
        ("pulses", {"high": False, "width_ns": 2_500_000_000}, "low for 2.5 s"),
        ("pulses", {"line": "gate", "high": True, "width_ns": 1_500_000, "angle_deg": 90.0},
         "90.0 deg, high for 1500.0 us"),
        ("pulses", {"line": "hopper echo", "high": True, "width_ns": 583_000, "distance_cm": 10.0},
         "echo, 10.0 cm, high for 583.0 us"),
        ("pulses", {"line": "hopper trigger", "high": True, "width_ns": 10_000},
         "trigger, high for 10.0 us"),
        ("links", {"outcome": "missing", "to_table": "messages"}, "not published"),
        ("links", {"outcome": "missing", "to_table": "prints"}, "not printed"),
        ("links", {"outcome": "not-observed", "to_table": "prints"}, "not observable"),
    ],
)  # fmt: skip
def test_an_event_says_what_it_is(table: str, row: dict[str, Any], words: str) -> None:
    assert event_words(table, row) == words


def test_no_problem_and_no_state_is_without_words() -> None:
    assert all(problem_words([word]) for word in PROBLEMS)
    states = [event_words("line_states", {"state": state}) for state in LINE_STATES]
    assert len(set(states)) == len(LINE_STATES)


JSON = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(allow_nan=False, allow_infinity=False),
        st.text(max_size=9),
    ),
    lambda inner: st.one_of(st.lists(inner), st.dictionaries(st.text(max_size=5), inner)),
)


@given(JSON)
def test_any_json_has_values_or_none(found: Any) -> None:
    said = values_of(json.dumps(found))
    assert len(said) <= 6 * 60
    assert bool(said) == (isinstance(found, dict) and bool(found))


@pytest.mark.parametrize(
    "fields",
    [
        None,
        "",
        "{",
        "[1]",
        "null",
        "[" * 9_000,
        '{"n":' * 9_000,
        f'{{"n":{"9" * 9_000}}}',
        "x" * 99_999,
    ],
)
def test_what_is_no_object_has_no_values(fields: str | None) -> None:
    assert values_of(fields) in ("", f"n={'9' * 40}")


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ('{"sync":"a55a","n":3,"gate":"left"}', "n=3 gate=left"),
        ('{"blocks":[1,2]}', "2 blocks"),
        ('{"blocks":[1]}', "1 block"),
        ('{"on":true,"off":false,"x":null,"y":{"z":1}}', "on=yes off=no x=- y={..}"),
        ('{"a":1,"b":2,"c":3,"d":4,"e":5,"f":6,"g":7}', "a=1 b=2 c=3 d=4 e=5 f=6"),
    ],
)
def test_values_are_told_shortly(fields: str, said: str) -> None:
    assert values_of(fields, ("sync",)) == said


def test_the_words_of_a_run_stand_beside_its_events() -> None:
    run = cap_line()
    said = [event_words(*event_row(run.tables, run.events, k)) for k in range(len(run.events))]
    assert said[2:4] == ["poll 1 blocks 2", "cam/blocks n=2"]
