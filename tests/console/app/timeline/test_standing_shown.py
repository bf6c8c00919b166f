"""Where the user stands when another run, part or choice of events is shown, on any screen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from console.app.run_view import Held
from console.app.timeline.standing import DEPTHS, Depth, Standing, widths_that_fit
from console.app.timeline.viewport import BUCKET, EVENT, MARGIN, WAIT
from console.timeline.buckets import WIDTHS_NS
from tests.console.app.timeline.standings import (
    HEIGHT,
    MINUTE,
    S,
    in_minutes,
    on,
    prints_at,
    row_of_chosen,
    show,
    standing_in,
)
from tests.console.app.timeline.views import demo_with_levels

ROWS = HEIGHT - 1  # below the head line


# --- what is shown


def test_what_a_filter_leaves_out_is_neither_counted_nor_on_the_screen() -> None:
    keep = np.arange(10) % 2 == 1
    view = prints_at(range(10))
    standing = standing_in(view)
    standing.lines()
    show(standing, view, keep=keep)
    assert standing.shown is not None
    events = [standing.shown.event(line.at) for line in on(standing, EVENT)]
    assert events == [1, 3, 5, 7, 9]


def test_events_of_hidden_columns_are_left_out_with_those_of_the_filter() -> None:
    view = prints_at(range(12), parties=3)
    keep = np.arange(12) < 9
    standing = standing_in(view, parties=[2, 0], keep=keep)
    assert standing.shown is not None
    events = [standing.shown.event(line.at) for line in on(standing, EVENT)]
    assert events == [k for k in range(9) if k % 3 != 1]


def test_another_filter_keeps_the_chosen_event_or_takes_the_next() -> None:
    view = prints_at([7] * 50)  # at one moment: the time alone does not tell which
    even = np.arange(50) % 2 == 0
    standing = standing_in(view)
    standing.stand_on(30)
    show(standing, view, keep=even)
    kept = standing.event
    show(standing, view, keep=~even)
    assert (kept, standing.event) == (30, 31)


def test_another_filter_keeps_the_place_of_the_minutes_and_not_the_event() -> None:
    view = prints_at([0, 50, 200, 280, 900])
    standing = in_minutes(view)
    standing.stand_in_bucket(5)  # from 300 s on, empty
    nearest = standing.event
    show(standing, view, keep=np.arange(5) != 3)
    assert (nearest, standing.event, standing.place_ns) == (3, 2, 300 * S)


def test_another_run_is_stood_in_at_the_same_time() -> None:
    standing = standing_in(prints_at(range(20)))
    standing.stand_on(9)
    show(standing, prints_at(range(0, 60, 3)))
    assert standing.event == 3


def test_a_place_that_is_told_goes_before_the_chosen_event() -> None:
    view = prints_at(range(20))
    standing = standing_in(view)
    standing.stand_on(9)
    show(standing, view, place_ns=15 * S)
    assert (standing.event, standing.place_ns) == (15, 15 * S)


def test_another_run_has_the_width_of_buckets_that_is_usual_for_it() -> None:
    view = prints_at(range(0, 400, 10))
    standing = standing_in(prints_at(range(5)))
    show(standing, view)
    assert standing.bucket_ns == view.usual_width_ns() != 60 * S


def test_a_later_part_of_a_recorded_run_keeps_the_users_width() -> None:
    first = replace(prints_at(range(50)), held=Held((0, 49 * S), is_newest=False, grows=True))
    later = replace(prints_at(range(50, 99)), held=Held((0, 99 * S), is_newest=True, grows=True))
    standing = standing_in(first)
    standing.take_width(30 * S)
    show(standing, later)
    assert standing.bucket_ns == 30 * S


def test_buckets_of_a_run_that_grew_are_wide_enough_for_their_counts() -> None:
    first = replace(prints_at(range(5)), held=Held((0, 4 * S), is_newest=False, grows=True))
    week = range(0, 7 * 24 * 3600, 3600)
    later = replace(prints_at(week), held=Held((0, week[-1] * S), is_newest=True, grows=True))
    standing = standing_in(first)
    standing.look_at("minutes")
    standing.take_width(WIDTHS_NS[0])
    show(standing, later)
    assert standing.bucket_ns == widths_that_fit(later)[0] > WIDTHS_NS[0]
    assert standing.lines()


def test_another_event_begins_with_its_first_line_of_bits_when_a_filter_chose_it() -> None:
    view = demo_with_levels()
    standing = standing_in(view)
    standing.look_at("bits")
    standing.first_bit = 3
    show(standing, view)
    assert standing.first_bit == 3
    keep = np.ones(len(view.events), np.bool_)
    keep[standing.event] = False
    show(standing, view, keep=keep)
    assert standing.first_bit == 0


def test_the_first_part_of_a_recorded_run_has_its_usual_width() -> None:
    view = replace(prints_at(range(50)), held=Held((0, 49 * S), is_newest=True, grows=True))
    assert standing_in(view).bucket_ns == view.usual_width_ns() != 60 * S


def test_the_chosen_column_is_one_of_those_that_are_left() -> None:
    view = prints_at(range(12), parties=4)
    standing = standing_in(view)
    standing.choose_column(3)
    show(standing, view, parties=[2, 0])
    assert standing.party == 0


@pytest.mark.parametrize("depth", DEPTHS)
def test_where_nothing_is_shown_there_is_nothing_to_stand_on(depth: Depth) -> None:
    standing = standing_in(prints_at(range(5)), keep=np.zeros(5, np.bool_))
    standing.look_at(depth)
    assert standing.event is None
    assert (standing.stand_on(3), standing.scroll_bits(1), standing.bits_below) == (False, False, 0)


def test_before_a_run_is_shown_there_are_no_lines_and_only_the_time_is_kept() -> None:
    standing = Standing()
    standing.fit(80, HEIGHT)
    assert (standing.lines(), standing.party, standing.event) == ([], None, None)
    moved = [standing.go_to(7 * S, 3), standing.stand_on(1), standing.stand_in_bucket(1)]
    moved += [standing.scroll_bits(1), standing.choose_column(1)]
    assert not any(moved)
    assert standing.visible_ns() == (7 * S, 7 * S)
    show(standing, prints_at(range(20)))
    assert standing.event == 7


# --- the screen


def test_a_size_is_told_once_and_every_row_below_the_head_line_has_a_line() -> None:
    standing = standing_in(prints_at(range(100)))
    standing.lines()
    assert [standing.fit(80, 30), standing.fit(80, 30), standing.fit(81, 30)] == [True, False, True]
    assert len(standing.lines()) == 29


def test_columns_are_laid_out_for_the_width_there_is() -> None:
    standing = standing_in(prints_at(range(12), parties=12), size=(200, HEIGHT))
    wide = len(standing.columns().every)
    standing.fit(60, HEIGHT)
    assert (wide, len(standing.columns().every)) == (12, 3)


def test_a_screen_of_no_rows_has_one_line() -> None:
    standing = standing_in(prints_at(range(5)))
    standing.fit(0, 0)
    assert [line.kind for line in standing.lines()] == [EVENT]


def test_another_size_keeps_the_row_where_it_is_on_the_screen() -> None:
    standing = standing_in(prints_at(range(300)))
    standing.go_to(150 * S)
    rows = []
    for height in (60, 10, 60):
        standing.fit(80, height)
        standing.settle()
        rows.append(row_of_chosen(standing))
    assert rows == [HEIGHT // 3, 9 - 1 - MARGIN, 9 - 1 - MARGIN]


def test_a_third_of_the_first_screen_is_above() -> None:
    standing = Standing()
    show(standing, prints_at(range(100)), place_ns=50 * S)
    standing.fit(80, 40)
    standing.lines()  # drawn before the size is told
    standing.settle()
    assert row_of_chosen(standing) == 39 // 3


def test_the_time_on_the_screen_is_that_of_its_events() -> None:
    standing = standing_in(prints_at(range(100)))
    standing.go_to(50 * S)
    first = 50 - HEIGHT // 3
    assert standing.visible_ns() == (first * S, (first + ROWS - 1) * S)


def test_the_time_on_a_screen_of_minutes_ends_with_the_last_of_them() -> None:
    standing = in_minutes(prints_at(range(0, 6000, 10)))
    begins = [line.at for line in on(standing, BUCKET)]
    assert standing.visible_ns() == (begins[0] * MINUTE, (begins[-1] + 1) * MINUTE)


def test_a_wait_at_the_edge_reaches_to_the_event_behind_it() -> None:
    standing = standing_in(prints_at([*range(40), *range(1000, 1040)]), size=(80, 7))
    standing.go_to(37 * S)
    assert [line.kind for line in standing.lines()] == [EVENT] * 5 + [WAIT]
    assert standing.visible_ns() == (35 * S, 1000 * S)
