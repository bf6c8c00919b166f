"""Which rows stand where."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.app.timeline.shown import Shown
from console.app.timeline.viewport import (
    BIT,
    BITS_SEEN,
    BLANK,
    BUCKET,
    EVENT,
    MARGIN,
    WAIT,
    Line,
    bucket_lines,
    event_lines,
    row_of,
    within,
)
from tests.console.app.timeline.views import events_at

RUNS = st.lists(st.integers(0, 30).map(lambda k: k * k * k), min_size=1, max_size=60)
HEIGHTS = st.integers(1, 50)


def is_chosen(chosen: int, line: Line) -> bool:
    return line.kind == EVENT and line.at == chosen


@given(RUNS, HEIGHTS, st.integers(0, 60), st.integers(0, 200), st.data())
def test_a_screen_is_filled_in_order_with_the_chosen_event_on_it(
    times: list[int], height: int, y: int, bits: int, data: st.DataObject
) -> None:
    shown = Shown(events_at(times))
    chosen = data.draw(st.integers(0, len(times) - 1))
    lines = event_lines(shown, chosen, y, height, bits)
    assert len(lines) == height
    assert row_of(lines, lambda line: is_chosen(chosen, line)) is not None
    events = [line.at for line in lines if line.kind == EVENT]
    assert events == list(range(events[0], events[0] + len(events)))
    blank = [line.kind == BLANK for line in lines]
    assert blank == sorted(blank)  # nothing but blank rows behind a blank one


@given(RUNS, HEIGHTS, st.integers(0, 60), st.data())
def test_every_folded_wait_and_no_other_has_a_row(
    times: list[int], height: int, y: int, data: st.DataObject
) -> None:
    shown = Shown(events_at(times))
    lines = event_lines(shown, data.draw(st.integers(0, len(times) - 1)), y, height)
    inner = [line for line in lines if line.kind != BLANK]
    whole = [
        line
        for k in range(len(times))
        for line in [Line(WAIT, k)] * shown.folds(k) + [Line(EVENT, k)]
    ]
    first = whole.index(inner[0])
    assert inner == whole[first : first + len(inner)]


@given(RUNS, st.integers(12, 50), st.integers(0, 50), st.integers(0, 200), st.data())
def test_bits_leave_the_chosen_event_on_its_row_where_there_is_room_for_them(
    times: list[int], height: int, y: int, bits: int, data: st.DataObject
) -> None:
    shown = Shown(events_at(times))
    chosen = data.draw(st.integers(0, len(times) - 1))
    without = event_lines(shown, chosen, min(y, height - 1), height)
    row = row_of(without, lambda line: is_chosen(chosen, line))
    assert row is not None
    room = height - 1 - min(bits, BITS_SEEN)
    lines = event_lines(shown, chosen, row, height, bits)
    assert row_of(lines, lambda line: is_chosen(chosen, line)) == min(row, room)
    seen = [line.part for line in lines if line.kind == BIT]
    assert seen[:BITS_SEEN] == list(range(min(bits, BITS_SEEN)))


def test_lines_of_bits_go_on_where_the_last_screen_ended() -> None:
    shown = Shown(events_at(range(100)))
    first = [line.part for line in event_lines(shown, 50, 5, 20, 40) if line.kind == BIT]
    more = [line.part for line in event_lines(shown, 50, 5, 20, 40, 14) if line.kind == BIT]
    assert (first, more) == (list(range(14)), list(range(14, 28)))


@given(st.integers(1, 200), HEIGHTS, st.integers(0, 60), st.data())
def test_buckets_follow_each_other_with_the_chosen_one_as_near_to_its_row_as_can_be(
    count: int, height: int, y: int, data: st.DataObject
) -> None:
    chosen = data.draw(st.integers(0, count - 1))
    y = min(y, height - 1)
    lines = bucket_lines(count, chosen, y, height)
    numbers = [line.at for line in lines if line.kind == BUCKET]
    assert len(lines) == height
    assert numbers == list(range(numbers[0], numbers[0] + min(count, height)))
    first = min(max(chosen - y, 0), max(count - height, 0))
    assert (numbers[0], chosen in numbers) == (first, True)


def test_no_events_are_blank_rows() -> None:
    assert event_lines(Shown(events_at([])), 0, 4, 3) == [Line(BLANK)] * 3
    assert bucket_lines(0, 0, 0, 2) == [Line(BLANK)] * 2


@pytest.mark.parametrize(
    ("y", "height", "row"),
    [(0, 20, MARGIN), (19, 20, 19 - MARGIN), (7, 20, 7), (0, 5, 0), (9, 5, 4), (3, 1, 0)],
)
def test_a_row_stays_off_the_edges_where_there_is_room(y: int, height: int, row: int) -> None:
    assert within(y, height) == row
