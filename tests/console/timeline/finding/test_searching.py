"""Text sought in events: what their words say is found, and raw text, and bytes."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from console.timeline.events import EVENT_TABLES
from console.timeline.finding.carriers import carriers
from console.timeline.finding.searching import matches
from console.timeline.words import event_row, event_words
from tests.console.timeline.small_runs import HOSTILE, SmallRun, cap_line, run_of, runs


def said(run: SmallRun, k: int) -> str:
    return event_words(*event_row(run.tables, run.events, k))


@settings(max_examples=60, deadline=None)
@given(run=runs(), data=st.data())
def test_an_event_is_found_by_any_of_its_words(run: SmallRun, data: st.DataObject) -> None:
    k = data.draw(st.integers(0, len(run.events) - 1))
    # A number alone may be the length of a list, which no column has.
    words = [w for w in said(run, k).split() if w not in ("→", "->", "-") and not w.isdigit()]
    assume(words)
    assert matches(data.draw(st.sampled_from(words)), run.tables, run.events)[k]


@settings(max_examples=60, deadline=None)
@given(
    run=runs(),
    text=st.sampled_from(
        ["camera: no ack", "poll", "Poll", "blocks 3", "a_b%c", "[red]", "\x1b[2J", "\u202e", "E"]
    ),
)
def test_prints_are_searched_as_a_person_would_line_by_line(run: SmallRun, text: str) -> None:
    found = matches(text, run.tables, run.events)
    own = np.flatnonzero(run.events.table == EVENT_TABLES.index("prints"))
    case = re.IGNORECASE if text == text.lower() else re.NOFLAG
    texts = [run.tables["prints"]["text"][int(run.events.row[k])] for k in own]
    expected = [re.search(re.escape(text), t, case) is not None for t in texts]
    assert found[own].tolist() == expected


def hits(text: str, run: SmallRun | None = None) -> list[tuple[str, int]]:
    run = run or cap_line()
    found = np.flatnonzero(matches(text, run.tables, run.events))
    return [(EVENT_TABLES[int(run.events.table[k])], int(run.events.row[k])) for k in found]


PACKETS = [("packets", 0), ("packets", 1)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("camera: no ack", [("prints", 2)]),
        ("poll 2", [("prints", 1)]),
        ("Poll 2", []),
        ("gate=left", PACKETS),
        ("Gate=left", []),
        ("blocks n=2", [*PACKETS, ("messages", 0)]),
        ('"cap-colour":"red"', PACKETS),
        ("not acknowledged", [("transactions", 0)]),
        ("address-nack", [("transactions", 0)]),
        ("cam/blocks", [("messages", 0)]),
        ("[red]camera[/red]", [("prints", 3)]),
        ("[/RED]", []),
        (".*", []),
        ("", []),
        ("  ", []),
        (HOSTILE[3], []),
    ],
)
def test_what_a_text_finds(text: str, expected: list[tuple[str, int]]) -> None:
    assert hits(text) == expected


def with_bytes() -> SmallRun:
    sent = [("a55a3112", 0), ("10a55a", 100), ("0a550a", 200)]
    transactions = [
        {"start_ns": t, "end_ns": t + 50, "bus": "i2c-1", "address": 1, "address_bits": 7,
         "read": True, "address_acked": True, "data": data, "problems": []}
        for data, t in sent
    ]  # fmt: skip
    packets = [
        {"start_ns": 100, "end_ns": 150, "bus": "i2c-1", "device": "camera", "packet": "blocks",
         "direction": "read", "valid": True, "problems": [], "fields": "{}"},
    ]  # fmt: skip
    return run_of({"transactions": transactions, "packets": packets})


@pytest.mark.parametrize("text", ["a55a", "A5 5A", "0xA55A", "a5 5a"])
def test_bytes_are_found_whole_and_by_the_packet_that_stands_for_them(text: str) -> None:
    assert hits(text, with_bytes()) == [("transactions", 0), ("packets", 0)]


def test_half_bytes_are_not_found() -> None:
    assert hits("5a31", with_bytes()) == [("transactions", 0)]
    assert hits("55a3", with_bytes()) == []


def test_a_transaction_is_carried_by_the_packet_it_begins_in() -> None:
    assert carriers(with_bytes().tables).tolist() == [-1, 0, -1]


def test_words_without_case_are_found_in_any_alphabet() -> None:
    texts = ["ÄPFEL gut", "äpfel gut", "apfel"]
    run = run_of({"prints": [{"t_ns": k, "source": "s", "text": t} for k, t in enumerate(texts)]})
    assert matches("äpfel", run.tables, run.events).tolist() == [True, True, False]
    assert matches("Äpfel", run.tables, run.events).tolist() == [False, False, False]


def test_a_table_of_which_few_rows_are_shown_is_found_in_alike() -> None:
    states = ["idle"] * 9 + ["sda-held"]
    rows = [
        {"start_ns": k, "bus": "i2c-1", "state": state, "turn": "target"}
        for k, state in enumerate(states)
    ]
    run = run_of({"line_states": rows})
    assert matches("held low, target to drive", run.tables, run.events).tolist() == [True]
