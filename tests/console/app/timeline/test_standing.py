"""Where the user stands in what is shown, and the lines around that place."""

from __future__ import annotations

import numpy as np
import pytest

from console.app.timeline.standing import DEPTHS, Depth
from console.app.timeline.viewport import BIT, BUCKET, MARGIN
from console.timeline.buckets import WIDTHS_NS
from tests.console.app.timeline.standings import (
    HEIGHT,
    MINUTE,
    S,
    in_minutes,
    on,
    over_bits,
    prints_at,
    row_of_chosen,
    standing_in,
)

ROWS = HEIGHT - 1  # below the head line


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
