"""What is offered while a condition is written."""

from __future__ import annotations

import contextlib

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.condition_faults import fault_in
from console.printable import printable
from console.timeline.finding.completing import Completion, completions
from console.timeline.finding.filtering import checked
from console.timeline.finding.vocabulary import MOST_VALUES, SAMPLE, Vocabulary
from decoders.errors import DescriptionError
from tests.console.timeline.small_runs import HOSTILE, cap_line, run_of

RUN = cap_line()
KNOWN = Vocabulary(RUN.tables, RUN.parties)


def offered(text: str, cursor: int | None = None) -> list[str]:
    return [c.text for c in completions(text, len(text) if cursor is None else cursor, KNOWN)]


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("", ["table", "party", "state"]),
        ("addr", ["address", "address_bits", "address_acked"]),
        ("ADDR", ["address", "address_bits", "address_acked"]),
        ("qos = 1 AND to", ["topic"]),
        ("fields.", ["fields.n", "fields.gate", 'fields."cap-colour"']),
        ('fields."ca', ['fields."cap-colour"']),
        ("gate", ["fields.gate"]),
        ("party = ", ["'controller'", "'camera'", "'i2c-1'", "'broker'"]),
        ("party =", ["'controller'", "'camera'", "'i2c-1'", "'broker'"]),
        ("party = 'ca", ["'camera'"]),
        ("party = ca", ["'camera'"]),
        ("state IN ('bad', ", ["'good'", "'odd'", "'bad'", "'unseen'"]),
        ("state NOT IN (", ["'good'", "'odd'", "'bad'", "'unseen'"]),
        ("address = ", ["46"]),
        ("valid = ", ["TRUE", "FALSE"]),
        ("fields.gate = ", ["'left'"]),
        ("level ", ["=", "<>", "LIKE"]),
        ("address ", ["=", "<>", "<", "<="]),
        ("address <", ["<>", "<="]),
        ("valid ", ["AND", "OR"]),
        ("qos = 1 ", ["AND", "OR"]),
        ("qos = 1 a", ["AND"]),
        ("probl", ["array_contains(problems,"]),
        ("array_contains(problems, ", ["'address-nack'"]),
        ("text LIKE ", []),
        ("band_ns = ", []),
        ("nothing = ", []),
    ],
)
def test_what_may_come_next_is_offered(text: str, first: list[str]) -> None:
    assert offered(text)[: max(len(first), 1)] == first


def test_a_completion_takes_the_place_of_what_was_typed() -> None:
    text = "addr AND valid"
    found = completions(text, 4, KNOWN)[0]
    assert found.applied(text) == ("address AND valid", 8)
    assert Completion(0, 0, "party", "").applied("") == ("party ", 6)
    assert Completion(6, 6, "IN (", "").applied("state ") == ("state IN (", 10)


def test_what_a_completion_is_stands_beside_it() -> None:
    notes = {c.text: c.note for c in completions("", 0, KNOWN)}
    assert notes["topic"] == "text in messages"
    assert notes["party"] == "text in every event"
    assert completions("address = ", 10, KNOWN)[0].note == "0x2E"


@settings(max_examples=200, deadline=None)
@given(choices=st.lists(st.integers(0, 59), max_size=12))
def test_what_is_offered_never_leads_astray(choices: list[int]) -> None:
    text, cursor = "", 0
    for choice in choices:
        found = completions(text, cursor, KNOWN)
        if not found:
            break
        text, cursor = found[choice % len(found)].applied(text)
    fault = fault_in(text)
    assert fault is None or fault.unfinished
    with contextlib.suppress(DescriptionError):  # columns of tables that do not go together
        checked(text, RUN.tables, RUN.parties)


@given(text=st.text(alphabet="ab 'q\"=<(),.\x00\u202e", max_size=30), at=st.integers(0, 30))
def test_any_text_can_be_completed_at_any_place(text: str, at: int) -> None:
    cursor = min(at, len(text))
    for found in completions(text, cursor, KNOWN):
        done, stands = found.applied(text)
        assert 0 <= found.start <= found.end == cursor
        assert done.startswith(text[: found.start])
        assert found.start <= stands <= len(done)


def test_hostile_names_and_values_are_not_offered() -> None:
    fields = '{"\\u202ekey":1,"a\\\\b":2,"ok":"\\u001b[2J"}'
    prints = [
        {"t_ns": k, "source": text, "text": "x", "fields": fields}
        for k, text in enumerate(HOSTILE[:3])
    ]
    run = run_of({"prints": prints})
    known = Vocabulary(run.tables, run.parties)
    assert [c for c in known.columns if c.startswith("fields")] == ["fields.ok"]
    assert known.values("fields.ok") == ()
    assert known.values("source") == ("'[red]camera[/red] [@click=app.quit]'",)
    assert all(printable(value) == value for value in known.values("party"))


def test_a_column_of_many_values_has_no_list_of_them() -> None:
    rows = [{"t_ns": k, "source": "s", "text": f"line {k}"} for k in range(MOST_VALUES + 1)]
    run = run_of({"prints": rows})
    assert Vocabulary(run.tables, run.parties).values("text") == ()


def test_of_a_long_table_rows_from_all_over_are_looked_at() -> None:
    n = SAMPLE * 10
    level = ["info"] * (n // 2) + ["error"] * (n // 2)
    tables = dict(RUN.tables)
    tables["prints"] = pl.DataFrame({"t_ns": range(n), "level": level, "text": "x"})
    assert Vocabulary(tables, RUN.parties).values("level") == ("'error'", "'info'")


def test_quotes_in_a_value_are_doubled() -> None:
    run = run_of({"prints": [{"t_ns": 0, "source": "it's", "text": "x"}]})
    assert Vocabulary(run.tables, run.parties).values("source") == ("'it''s'",)
