"""The next and the previous of a sort: what a plain loop from the place would find."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.timeline.events import BAD, EVENT_TABLES, ODD
from console.timeline.finding import seeking
from console.timeline.finding.same_kind import MOST_TEXT, sentence_pattern
from console.timeline.finding.seeking import (
    Found,
    next_match,
    next_moment,
    next_of_kind,
    next_of_party,
    next_problem,
    next_where,
)
from tests.console.timeline.small_runs import HOSTILE, SmallRun, run_of, runs


def looped(holds: Callable[[int], bool], n: int, k: int, *, forward: bool) -> Found | None:
    """One event after the other, round the end to where it began."""
    step = 1 if forward else -1
    for away in range(1, n):
        at = (k + step * away) % n
        if holds(at):
            return Found(at, wrapped=not 0 <= k + step * away < n)
    return None


@pytest.fixture
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows so small that a short run has many."""
    monkeypatch.setattr(seeking, "FIRST_WINDOW", 2)
    monkeypatch.setattr(seeking, "MOST_WINDOW", 5)


@given(
    mask=st.lists(st.booleans(), min_size=1, max_size=60),
    data=st.data(),
    forward=st.booleans(),
)
def test_the_next_match_is_what_a_loop_finds(
    mask: list[bool], data: st.DataObject, forward: bool
) -> None:
    k = data.draw(st.integers(0, len(mask) - 1))
    expected = looped(lambda at: mask[at], len(mask), k, forward=forward)
    assert next_match(np.array(mask), k, forward=forward) == expected


@pytest.mark.usefixtures("narrow")
def test_windows_leave_nothing_out_and_take_nothing_twice() -> None:
    seen: list[int] = []

    def holds(a: int, b: int) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        seen.extend(range(a, b))
        return np.zeros(b - a, np.bool_)

    assert next_where(holds, 40, 17, forward=True) is None
    assert sorted(seen) == [k for k in range(40) if k != 17]
    forward, seen[:] = list(seen), []
    assert next_where(holds, 40, 17, forward=False) is None
    assert sorted(seen) == sorted(forward)


@settings(max_examples=60, deadline=None)
@given(run=runs(), data=st.data(), forward=st.booleans())
def test_problems_and_parties_are_found_as_a_loop_would(
    run: SmallRun, data: st.DataObject, forward: bool
) -> None:
    events, n = run.events, len(run.events)
    k = data.draw(st.integers(0, n - 1))
    bad = looped(lambda at: int(events.state[at]) in (ODD, BAD), n, k, forward=forward)
    own = looped(lambda at: bool(events.party[at] == events.party[k]), n, k, forward=forward)
    assert next_problem(events, k, forward=forward) == bad
    assert next_of_party(events, k, forward=forward) == own


def kind(run: SmallRun, k: int) -> tuple[object, ...]:
    """What the next of the same kind has alike."""
    table = EVENT_TABLES[int(run.events.table[k])]
    row = run.tables[table].row(int(run.events.row[k]), named=True)
    alike = {
        "transactions": ("bus", "address", "read"),
        "packets": ("device", "packet", "direction"),
        "messages": ("topic",),
        "pulses": ("line", "high"),
        "line_states": ("state",),
        "links": ("to_table", "outcome"),
    }.get(table, ())
    sentence = re.sub(r"[+-]?\d+(\.\d+)?", "#", row["text"]) if table == "prints" else ""
    return (table, int(run.events.party[k]), sentence, *(row[c] for c in alike))


@settings(max_examples=60, deadline=None)
@given(run=runs(), data=st.data(), forward=st.booleans())
def test_the_next_of_a_kind_is_what_a_loop_finds(
    run: SmallRun, data: st.DataObject, forward: bool
) -> None:
    n = len(run.events)
    k = data.draw(st.integers(0, n - 1))
    expected = looped(lambda at: kind(run, at) == kind(run, k), n, k, forward=forward)
    assert next_of_kind(run.tables, run.events, k, forward=forward) == expected


@given(
    times=st.lists(st.integers(0, 9), max_size=8),
    here=st.integers(-1, 10),
    forward=st.booleans(),
)
def test_the_next_moment_is_the_nearest_other_one(
    times: list[int], here: int, forward: bool
) -> None:
    order = sorted({t for t in times if t != here}, reverse=not forward)
    ahead = [t for t in order if (t > here) == forward]
    expected = Found(times.index((ahead or order)[0]), wrapped=not ahead) if order else None
    assert next_moment(times, here, forward=forward) == expected


def test_nothing_is_found_where_there_is_nothing() -> None:
    empty = run_of({})
    assert next_problem(empty.events, 0) is None
    assert next_of_party(empty.events, 0) is None
    assert next_of_kind(empty.tables, empty.events, 0) is None
    assert next_match(np.zeros(0, np.bool_), 0) is None


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [
        ("poll 7 blocks 40", "poll 1234 blocks 3", True),
        ("level -1.5 cm", "level 22 cm", True),
        ("addr 0x2E (46)", "addr 0x29 (41)", True),
        ("poll 7", "Poll 7", False),
        ("poll 7 ok", "poll 7 okay", False),
        ("a1b", "ab", False),
        ("x=5", "x=-5", True),
        ("range 3-5", "range 10-12", True),
    ],
)
def test_sentences_are_alike_but_for_their_numbers(one: str, other: str, alike: bool) -> None:
    assert (re.search(sentence_pattern(one), other) is not None) == alike
    assert (re.search(sentence_pattern(other), one) is not None) == alike


@pytest.mark.parametrize(
    "text", [*HOSTILE[:3], HOSTILE[4], "9" * 5000, "x" * 1_000_000, "", "a\nb"]
)
def test_any_sentence_is_of_its_own_kind(text: str) -> None:
    prints = [{"t_ns": t, "source": "s", "text": text} for t in range(2)]
    run = run_of({"prints": prints})
    assert next_of_kind(run.tables, run.events, 0) == Found(1, wrapped=False)


def test_a_long_sentence_is_known_by_its_beginning() -> None:
    assert re.search(sentence_pattern("a" * MOST_TEXT + "b"), "a" * MOST_TEXT + "c") is not None
