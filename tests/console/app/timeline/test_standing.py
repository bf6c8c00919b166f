"""Where the user stands in what is shown, and the lines around that place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from console.app.run_view import Held, RunView
from console.app.timeline.standing import DEPTHS, Depth, Standing
from console.app.timeline.viewport import BIT, BUCKET, EVENT, MARGIN, WAIT
from console.timeline.buckets import WIDTHS_NS
from tests.console.app.timeline.standings import (
    HEIGHT,
    S,
    on,
    over_bits,
    prints_at,
    row_of_chosen,
    show,
    standing_in,
)

ROWS = HEIGHT - 1  # below the head line
MINUTE = 60 * S


def in_minutes(view: RunView, keep: npt.NDArray[np.bool_] | None = None) -> Standing:
    """Someone who stands in buckets of a minute."""
    standing = standing_in(view, keep=keep)
    standing.look_at("minutes")
    standing.take_width(MINUTE)
    return standing


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


# --- standing elsewhere


def test_going_to_a_time_stands_on_the_nearest_event_and_keeps_the_time() -> None:
    standing = standing_in(prints_at(range(0, 500, 5)))
    assert standing.go_to(203 * S)
    assert (standing.event, standing.place_ns) == (41, 203 * S)
    assert row_of_chosen(standing) == HEIGHT // 3


def test_going_to_an_event_tells_those_of_one_moment_apart() -> None:
    standing = standing_in(prints_at([7] * 50))
    standing.go_to(7 * S, 33, "bits")
    assert (standing.event, standing.depth) == (33, "bits")


def test_going_to_an_event_that_is_filtered_out_stands_on_the_next_one_shown() -> None:
    standing = standing_in(prints_at([7] * 50), keep=np.arange(50) % 4 == 0)
    standing.go_to(7 * S, 33)
    assert standing.event == 36


def test_going_elsewhere_begins_with_the_first_line_of_bits() -> None:
    standing = over_bits()
    event = standing.event
    standing.scroll_bits(9)
    standing.go_to(standing.place_ns, event)
    assert on(standing, BIT)[0].part == 0


@pytest.mark.parametrize(("event", "chosen"), [(30, 30), (1, 0)])
def test_going_to_an_event_chooses_its_column_only_where_it_is_beside_the_screen(
    event: int, chosen: int
) -> None:
    standing = standing_in(prints_at(range(80), parties=40))
    standing.go_to(event * S, event)
    assert standing.party == chosen
    assert event in [column.party for column in standing.columns().every]


def test_an_event_on_the_screen_is_chosen_where_it_stands() -> None:
    standing = standing_in(prints_at(range(100)))
    standing.go_to(50 * S)
    lines, row = standing.lines(), row_of_chosen(standing)
    standing.stand_on(53)
    assert (standing.lines(), row_of_chosen(standing)) == (lines, row + 3)
    assert (standing.event, standing.place_ns) == (53, 53 * S)


def test_an_event_off_the_screen_stands_at_the_edge_it_is_beyond() -> None:
    standing = standing_in(prints_at(range(300)))
    standing.go_to(150 * S)
    standing.stand_on(250)
    below = row_of_chosen(standing)
    standing.stand_on(150)
    assert (below, row_of_chosen(standing)) == (ROWS - 1 - MARGIN, MARGIN)


@pytest.mark.parametrize(("wanted", "got"), [(-5, 0), (99, 19), (7, 7)])
def test_no_event_is_beyond_the_ends(wanted: int, got: int) -> None:
    standing = standing_in(prints_at(range(20)))
    assert standing.stand_on(wanted)
    assert standing.event == got


def test_another_event_is_stood_on_where_the_last_one_was_when_bits_are_shown() -> None:
    standing = over_bits()
    row, event = row_of_chosen(standing), standing.event
    standing.stand_on(standing.cursor - 1)
    assert event is not None
    assert (row_of_chosen(standing), standing.event) == (row, event - 1)
    assert on(standing, BIT)[0].at == standing.cursor


def test_another_event_begins_with_its_first_line_of_bits() -> None:
    standing = over_bits()
    standing.scroll_bits(9)
    standing.stand_on(standing.cursor - 1)
    assert on(standing, BIT)[0].part == 0


@pytest.mark.parametrize(
    ("levels", "worst"),
    [
        ({70: "error", 65: "warning", 80: "error", 10: "error"}, 70),
        ({65: "warning", 75: "warning", 125: "error"}, 65),
        ({}, 60),
    ],
)
def test_a_bucket_stands_for_the_first_of_its_gravest_events(
    levels: dict[int, str], worst: int
) -> None:
    standing = in_minutes(prints_at(range(200), levels=levels))
    assert standing.stand_in_bucket(1)
    assert (standing.event, standing.place_ns) == (worst, worst * S)


def test_what_is_filtered_out_is_not_the_gravest_of_a_bucket() -> None:
    keep = np.arange(200) != 70
    view = prints_at(range(200), levels={70: "error", 90: "warning"})
    standing = in_minutes(view, keep=keep)
    standing.stand_in_bucket(1)
    assert standing.event == 90


@pytest.mark.parametrize(("k", "nearest"), [(1, 1), (8, 2)])
def test_an_empty_bucket_is_stood_in_where_it_begins(k: int, nearest: int) -> None:
    standing = in_minutes(prints_at([0, 1, 600]))
    standing.stand_in_bucket(k)
    assert (standing.place_ns, standing.event) == (k * MINUTE, nearest)
    assert (standing.bucket, row_of_chosen(standing)) == (k, k)


@pytest.mark.parametrize(("wanted", "got"), [(-5, 0), (99, 10), (7, 7)])
def test_no_bucket_is_beyond_the_ends(wanted: int, got: int) -> None:
    standing = in_minutes(prints_at([0, 1, 600]))
    standing.stand_in_bucket(wanted)
    assert standing.bucket == got


def test_a_bucket_on_the_screen_is_chosen_where_it_stands() -> None:
    standing = in_minutes(prints_at(range(0, 6000, 10)))
    standing.go_to(3000 * S)
    lines, row = standing.lines(), row_of_chosen(standing)
    standing.stand_in_bucket(standing.bucket + 3)
    assert (standing.lines(), row_of_chosen(standing)) == (lines, row + 3)


def test_bits_are_gone_through_to_their_last_line_and_no_further() -> None:
    standing = over_bits(12)
    seen = []
    while True:
        seen += [line.part for line in on(standing, BIT)]
        if not standing.scroll_bits(standing.count_of(BIT)):
            break
    assert seen == list(range(len(seen)))
    assert len(seen) > 2 * 11
    assert standing.bits_below == 0


def test_bits_are_gone_back_through_to_their_first_line() -> None:
    standing = over_bits(12)
    standing.scroll_bits(3)
    assert [standing.scroll_bits(-5), standing.scroll_bits(-5)] == [True, False]
    assert on(standing, BIT)[0].part == 0


def test_lines_of_bits_below_the_screen_are_counted() -> None:
    standing = over_bits(12)
    below = standing.bits_below
    standing.scroll_bits(4)
    more = len(on(standing, BIT))
    assert below - standing.bits_below == 4 + more - standing.count_of(BIT) == 4
    standing.fit(80, 200)
    assert (below > 0, standing.bits_below) == (True, 0)


def test_only_where_bits_are_shown_are_there_any_below() -> None:
    standing = over_bits(12)
    standing.look_at("events")
    assert (standing.bits_below, on(standing, BIT)) == (0, [])


@pytest.mark.parametrize(("at", "chosen"), [(2, 2), (-1, 0), (9, 3)])
def test_a_column_is_chosen_within_those_there_are(at: int, chosen: int) -> None:
    standing = standing_in(prints_at(range(8), parties=4))
    assert standing.choose_column(at)
    assert standing.party == chosen


def test_a_column_that_is_chosen_comes_on_the_screen() -> None:
    standing = standing_in(prints_at(range(80), parties=40))
    before = [column.party for column in standing.columns().every]
    standing.choose_column(30)
    assert 30 not in before
    assert 30 in [column.party for column in standing.columns().every]


@pytest.mark.parametrize("depth", [depth for depth in DEPTHS if depth != "events"])
def test_another_depth_shows_other_lines_of_the_same_event(depth: Depth) -> None:
    kind = {"minutes": BUCKET, "bits": BIT}[depth]
    standing = standing_in(prints_at(range(100)))
    standing.go_to(50 * S)
    row = row_of_chosen(standing)
    before = on(standing, kind)
    assert [standing.look_at(depth), standing.look_at(depth)] == [True, False]
    assert (before, bool(on(standing, kind))) == ([], True)
    assert (standing.event, standing.place_ns, row_of_chosen(standing)) == (50, 50 * S, row)


def test_bits_begin_with_their_first_line_each_time_they_are_looked_at() -> None:
    standing = over_bits()
    standing.scroll_bits(9)
    standing.look_at("events")
    standing.look_at("bits")
    assert on(standing, BIT)[0].part == 0


def test_another_width_of_buckets_keeps_the_place_and_the_row() -> None:
    standing = in_minutes(prints_at(range(0, 60_000, 10)))
    standing.go_to(30_000 * S)
    lines, row = standing.lines(), row_of_chosen(standing)
    wider = WIDTHS_NS[WIDTHS_NS.index(MINUTE) + 1]
    assert [standing.take_width(wider), standing.take_width(wider)] == [True, False]
    assert standing.lines() != lines
    assert (standing.place_ns, row_of_chosen(standing)) == (30_000 * S, row)
    assert standing.bucket == 30_000 * S // wider
