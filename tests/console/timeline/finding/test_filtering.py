"""Conditions over all events: the mask, the tables that took part, and what is refused."""

from __future__ import annotations

import sqlite3
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.timeline.events import EVENT_TABLES
from console.timeline.finding.event_columns import STATES
from console.timeline.finding.filtering import UnfinishedError, filtered
from decoders.errors import DescriptionError
from tests.console.timeline.small_runs import HOSTILE, SmallRun, cap_line, run_of, runs

# What SQLite, which reads SQL on its own terms, can be asked alike.
ALIKE = (
    "state = 'bad'",
    "state <> 'good' AND \"table\" = 'prints'",
    "party = 'controller' OR party = 'broker'",
    "address = 46",
    "NOT address_acked OR address IS NULL",
    "qos BETWEEN 1 AND 2",
    "qos IN (0, 2) AND topic LIKE '%cam%'",
    "valid AND packet = 'ask'",
    "level IS NULL",
    "level <> 'info' AND NOT damaged",
    "width_ns > 1000 OR high",
    "bus = 'i2c-1'",
)


def names_of(run: SmallRun, k: int) -> dict[str, Any]:
    """Event k as a row with the columns of every event."""
    table = EVENT_TABLES[int(run.events.table[k])]
    row = run.tables[table].row(int(run.events.row[k]), named=True)
    own = {
        "table": table,
        "party": run.parties.every[int(run.events.party[k])].name,
        "state": STATES[int(run.events.state[k])],
    }
    return row | own


def holds_in_sqlite(condition: str, row: dict[str, Any]) -> bool:
    """Whether a condition holds for one row; False where a column is missing."""
    plain = {c: v for c, v in row.items() if not isinstance(v, list)}
    columns = ", ".join(f'? AS "{c}"' for c in plain)
    asked = f"SELECT ({condition}) FROM (SELECT {columns})"
    values = [
        v.encode("utf-8", "replace").decode() if isinstance(v, str) else v for v in plain.values()
    ]
    with sqlite3.connect(":memory:") as base:
        base.execute("PRAGMA case_sensitive_like = ON")
        try:
            found = base.execute(asked, values).fetchone()[0]
        except sqlite3.OperationalError:
            found = 0
    base.close()
    return bool(found)


@settings(max_examples=60, deadline=None)
@given(run=runs(), condition=st.sampled_from(ALIKE))
def test_the_mask_is_what_a_database_says_row_by_row(run: SmallRun, condition: str) -> None:
    asked = condition.replace('"table"', "table")
    mask = filtered(asked, run.tables, run.events, run.parties).mask
    expected = [holds_in_sqlite(condition, names_of(run, k)) for k in range(len(run.events))]
    assert mask.tolist() == expected


@given(run=runs())
def test_an_empty_condition_selects_every_event(run: SmallRun) -> None:
    found = filtered("  ", run.tables, run.events, run.parties)
    assert found.count == len(run.events)


PACKETS = [("packets", 0), ("packets", 1)]


def selected(condition: str) -> tuple[list[tuple[str, int]], tuple[str, ...]]:
    """The events of the fixed run that are left, as table and row, and the tables asked."""
    run = cap_line()
    found = filtered(condition, run.tables, run.events, run.parties)
    left = [
        (EVENT_TABLES[int(run.events.table[k])], int(run.events.row[k]))
        for k in np.flatnonzero(found.mask)
    ]
    return left, found.tables


@pytest.mark.parametrize(
    ("condition", "left", "tables"),
    [
        ("fields.gate = 'left'", PACKETS, ("packets", "prints", "messages")),
        ("fields.\"cap-colour\" = 'red' AND valid", PACKETS, ("packets",)),
        ("address = 0x2E", [("transactions", 0)], ("transactions",)),
        ("array_contains(problems, 'address-nack')", [("transactions", 0)],
         ("transactions", "packets")),
        ("qos = 1", [("messages", 0)], ("messages",)),
        ("text LIKE 'poll%' AND state = 'good'", [("prints", 0), ("prints", 1)], ("prints",)),
        ("table = 'messages' OR table = 'words'", [("messages", 0)],
         ("transactions", "packets", "prints", "messages")),
    ],
)  # fmt: skip
def test_tables_that_have_all_its_columns_take_part(
    condition: str, left: list[tuple[str, int]], tables: tuple[str, ...]
) -> None:
    assert selected(condition) == (left, tables)


def test_the_state_of_a_line_is_another_than_that_of_an_event() -> None:
    run = held_line()
    of_lines = filtered("state = 'sda-held'", run.tables, run.events, run.parties)
    assert (of_lines.count, of_lines.tables) == (1, ("line_states",))
    bad = filtered("state = 'bad'", run.tables, run.events, run.parties)
    assert (bad.count, bad.tables) == (2, ("line_states", "prints"))


def held_line() -> SmallRun:
    return run_of(
        {
            "line_states": [
                {"start_ns": 1, "bus": "i2c-1", "state": "sda-held", "turn": "target"},
                {"start_ns": 2, "bus": "i2c-1", "state": "busy", "turn": "unknown"},
            ],
            "prints": [{"t_ns": 3, "source": "log", "level": "error", "text": "x"}],
        }
    )


@pytest.mark.parametrize(
    ("condition", "column", "message", "mend"),
    [
        ("qos = 1 AND adress = 46", 13, "no column named 'adress'", "Did you mean 'address'?"),
        ("qos = 1 AND level = 'info'", 13, "no table has all of qos, level", "level is in prints"),
        ("party = 'camrea'", 9, "no party named 'camrea'", "Did you mean 'camera'?"),
        ("table = 'print'", 9, "no table named 'print'", "Did you mean 'prints'?"),
        ("state = 'bat'", 9, "no state named 'bat'", "Did you mean 'bad'?"),
        ("state IN ('bad', 'sda-held')", 18, "'sda-held' how a line is", "for either"),
        ("valid AND text text", 16, "an operator is wanted before text", "as after WHERE"),
        ("qos = 1 OR topic > 3", 1, "cannot compare string with numeric", "topic (text)"),
        ("qos >", 6, "a column or a value is wanted after >", "as after WHERE"),
        ("sum(qos) > 3", 5, "is not about one row", "Compare columns"),
        ("foo(qos) = 3", None, "unsupported function 'foo'", "as after WHERE"),
    ],
)
def test_a_refused_condition_is_told_with_its_column(
    condition: str, column: int | None, message: str, mend: str
) -> None:
    run = cap_line()
    with pytest.raises(DescriptionError) as caught:
        filtered(condition, run.tables, run.events, run.parties)
    assert message in caught.value.message
    assert mend in caught.value.mend
    assert caught.value.place is not None
    assert caught.value.place.column == column


@pytest.mark.parametrize("text", [*HOSTILE, *(f"text = '{h}" for h in HOSTILE)])
def test_hostile_text_is_refused_as_any_other(text: str) -> None:
    run = cap_line()
    with pytest.raises(DescriptionError):
        filtered(text, run.tables, run.events, run.parties)


@pytest.mark.parametrize("text", HOSTILE[:3])
def test_hostile_text_can_be_asked_for(text: str) -> None:
    run = cap_line()
    condition = f"text = '{text}'"
    found = filtered(condition, run.tables, run.events, run.parties)
    assert found.count == int(text == HOSTILE[0])


@pytest.mark.parametrize("text", ["qos =", "party = 'ca", "qos = 1 AND", "qos", "(qos = 1"])
def test_what_lacks_its_end_is_unfinished(text: str) -> None:
    run = cap_line()
    with pytest.raises(UnfinishedError) as caught:
        filtered(text, run.tables, run.events, run.parties)
    assert caught.value.place is not None
    assert caught.value.place.column is not None


def test_what_is_wrong_is_not_merely_unfinished() -> None:
    run = cap_line()
    with pytest.raises(DescriptionError) as caught:
        filtered("qos qos", run.tables, run.events, run.parties)
    assert not isinstance(caught.value, UnfinishedError)
