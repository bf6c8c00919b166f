"""Steps from where the user stands."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from console.app.timeline import moving
from console.app.timeline.standing import DEPTHS, MOST_CELLS, Depth, Standing
from console.app.timeline.viewport import BIT, BLANK, BUCKET, EVENT
from console.timeline.buckets import WIDTHS_NS
from tests.console.app.timeline.standings import (
    HEIGHT,
    S,
    on,
    over_bits,
    prints_at,
    row_of_chosen,
    standing_in,
)

ROWS = HEIGHT - 1  # below the head line
MINUTE = 60 * S


def at_depth(depth: Depth, seconds: int = 6_000) -> Standing:
    """In the middle of a run with a print each 10 s, its buckets a minute wide."""
    standing = standing_in(prints_at(range(0, seconds, 10)))
    standing.take_width(MINUTE)
    standing.go_to(seconds // 2 * S, None, depth)
    return standing


@pytest.mark.parametrize(("depth", "step_s"), [("minutes", 60), ("events", 10), ("bits", 10)])
@pytest.mark.parametrize("rows", [1, -1, 7, -30])
def test_a_step_is_a_bucket_or_an_event(depth: Depth, step_s: int, rows: int) -> None:
    standing = at_depth(depth)
    assert moving.move(standing, rows)
    assert standing.place_ns == (3_000 + rows * step_s) * S


@pytest.mark.parametrize("depth", DEPTHS)
@pytest.mark.parametrize(("rows", "place_s"), [(-9_999, 0), (9_999, 5_990)])
def test_no_step_goes_beyond_the_ends(depth: Depth, rows: int, place_s: int) -> None:
    standing = at_depth(depth)
    moving.move(standing, rows)
    assert standing.place_ns == (5_940 if depth == "minutes" and rows > 0 else place_s) * S
    assert moving.move(standing, rows)  # one that stays is told too


def test_what_is_filtered_out_is_stepped_over() -> None:
    standing = standing_in(prints_at(range(40)), keep=np.arange(40) % 4 == 0)
    reached = []
    for _ in range(3):
        moving.move(standing, 1)
        reached.append(standing.event)
    assert reached == [4, 8, 12]


@pytest.mark.parametrize(("depth", "kind"), [("minutes", BUCKET), ("events", EVENT)])
def test_a_page_goes_on_by_a_screen_but_for_one_row(depth: Depth, kind: int) -> None:
    standing = at_depth(depth)
    moving.end(standing, last=False)
    before = standing.bucket if depth == "minutes" else standing.cursor
    assert len(on(standing, kind)) == ROWS
    assert moving.page(standing, 1)
    assert (standing.bucket if depth == "minutes" else standing.cursor) == before + ROWS - 1
    moving.page(standing, -1)
    assert (standing.bucket if depth == "minutes" else standing.cursor) == before


def test_a_page_counts_events_and_no_folded_waits() -> None:
    standing = standing_in(prints_at([1_000 * (k // 4) + k for k in range(100)]))
    events = len(on(standing, EVENT))
    moving.page(standing, 1)
    assert events < ROWS
    assert standing.cursor == events - 1


def test_a_page_of_a_screen_of_one_row_goes_on_all_the_same() -> None:
    standing = standing_in(prints_at(range(9)), size=(80, 2))
    moving.page(standing, 1)
    assert standing.cursor == 1


def test_pages_go_through_every_line_of_bits_before_the_next_event() -> None:
    standing = over_bits(12)
    cursor, count, seen = standing.cursor, standing.bits_below + standing.count_of(BIT), []
    while standing.cursor == cursor:
        seen += [line.part for line in on(standing, BIT)]
        assert moving.page(standing, 1)
    assert seen == list(range(count))
    assert standing.cursor > cursor


def test_pages_of_events_go_past_bits_that_are_not_shown() -> None:
    standing = over_bits(12)
    cursor = standing.cursor
    standing.look_at("events")
    moving.page(standing, 1)
    assert (standing.cursor > cursor, standing.first_bit) == (True, 0)


def test_a_page_back_goes_through_the_bits_before_the_event_above() -> None:
    standing = over_bits(12)
    cursor, shown = standing.cursor, standing.count_of(BIT)
    standing.scroll_bits(shown + 2)
    got = []
    for _ in range(3):
        moving.page(standing, -1)
        got.append((standing.cursor == cursor, standing.first_bit))
    assert got == [(True, 2), (True, 0), (False, 0)]


def test_the_wheel_goes_through_bits_as_far_as_some_are_below_the_screen() -> None:
    standing = over_bits(12)
    cursor, last = standing.cursor, 0
    while standing.cursor == cursor:
        last, below = standing.first_bit, standing.bits_below
        assert moving.scroll(standing, 3)
        assert (standing.first_bit == last + 3) == (below > 0)
    assert last > 3


def test_the_wheel_goes_back_through_bits_and_then_to_events() -> None:
    standing = over_bits(12)
    cursor = standing.cursor
    standing.scroll_bits(4)
    got = []
    for _ in range(3):
        moving.scroll(standing, -3)
        got.append((standing.cursor - cursor, standing.first_bit))
    assert got == [(0, 1), (0, 0), (-3, 0)]


def test_the_wheel_goes_back_from_the_last_bits_where_none_are_below() -> None:
    standing = over_bits(12)
    cursor, last = standing.cursor, standing.bits_below
    standing.scroll_bits(last)
    below = standing.bits_below
    moving.scroll(standing, -3)
    assert (below, standing.cursor, standing.first_bit) == (0, cursor, last - 3)


@pytest.mark.parametrize(("depth", "step_s"), [("minutes", 60), ("events", 10)])
def test_the_wheel_goes_from_row_to_row_where_no_bits_are_shown(depth: Depth, step_s: int) -> None:
    standing = at_depth(depth)
    moving.scroll(standing, 3)
    assert standing.place_ns == (3_000 + 3 * step_s) * S


@pytest.mark.parametrize("depth", DEPTHS)
@pytest.mark.parametrize(("last", "place_s"), [(False, 0), (True, 5_990)])
def test_the_ends_are_the_first_and_the_last_event(
    depth: Depth, *, last: bool, place_s: int
) -> None:
    standing = at_depth(depth)
    assert moving.end(standing, last=last)
    assert standing.place_ns == place_s * S


def test_each_end_stands_at_its_edge_of_the_screen() -> None:
    standing = at_depth("events")
    rows = []
    for last in (True, False):
        moving.end(standing, last=last)
        rows.append(row_of_chosen(standing))
    assert rows == [ROWS - 1, 0]


@pytest.mark.parametrize(
    ("depth", "kind", "closer"), [("minutes", BUCKET, "events"), ("events", EVENT, "bits")]
)
def test_pointing_chooses_a_row_and_pointing_again_looks_closer(
    depth: Depth, kind: int, closer: Depth
) -> None:
    standing = at_depth(depth)
    y = row_of_chosen(standing) + 4
    line = standing.lines()[y]
    assert moving.point_at(standing, y)
    assert (line.kind, row_of_chosen(standing), standing.depth) == (kind, y, depth)
    assert standing.is_chosen(line)
    place_ns = standing.place_ns
    assert moving.point_at(standing, y)
    assert (standing.depth, standing.place_ns) == (closer, place_ns)


@pytest.mark.parametrize("y", [-1, ROWS, ROWS - 1])
def test_pointing_beside_the_rows_chooses_nothing(y: int) -> None:
    standing = standing_in(prints_at(range(5)))
    assert standing.lines()[ROWS - 1].kind == BLANK
    assert not moving.point_at(standing, y)
    assert (standing.event, standing.depth) == (0, "events")


def test_pointing_at_bits_chooses_nothing_and_there_is_nothing_closer() -> None:
    standing = over_bits()
    event, row = standing.event, row_of_chosen(standing)
    assert standing.lines()[row + 1].kind == BIT
    assert not moving.point_at(standing, row + 1)
    assert not moving.point_at(standing, row)
    assert (standing.event, standing.depth) == (event, "bits")


def test_depths_follow_one_another_and_end() -> None:
    standing = at_depth("minutes")
    keys = (1, 1, 1, -1, -1, -1)
    told = [(moving.look_closer(standing, steps), standing.depth) for steps in keys]
    assert told == [
        (True, "events"),
        (True, "bits"),
        (False, "bits"),
        (True, "events"),
        (True, "minutes"),
        (False, "minutes"),
    ]


@pytest.mark.parametrize("steps", [1, -1, 3])
def test_buckets_are_widened_by_steps_of_the_widths_there_are(steps: int) -> None:
    standing = at_depth("minutes")
    assert moving.widen(standing, steps)
    assert standing.bucket_ns == WIDTHS_NS[WIDTHS_NS.index(MINUTE) + steps]


def test_a_width_that_is_none_of_those_leads_to_the_one_beside_the_nearest() -> None:
    standing = at_depth("minutes")
    standing.take_width(MINUTE + 7)
    moving.widen(standing, 1)
    assert standing.bucket_ns == WIDTHS_NS[WIDTHS_NS.index(MINUTE) + 1]


@pytest.mark.parametrize("parties", [1, 8])
def test_buckets_are_as_narrow_as_their_counts_fit_in_memory(parties: int) -> None:
    span_s = 7 * 24 * 3600
    standing = standing_in(prints_at(range(0, span_s + 1, span_s // 8), parties))
    standing.look_at("minutes")
    moving.widen(standing, -99)
    most = MOST_CELLS // parties
    assert standing.bucket_ns == min(w for w in WIDTHS_NS if span_s * S // w <= most)
    assert not moving.widen(standing, -1)


def test_buckets_are_no_wider_than_the_widest_there_is() -> None:
    standing = at_depth("minutes")
    moving.widen(standing, 99)
    assert standing.bucket_ns == WIDTHS_NS[-1]


@pytest.mark.parametrize("depth", [depth for depth in DEPTHS if depth != "minutes"])
def test_buckets_that_are_not_seen_keep_their_width(depth: Depth) -> None:
    standing = at_depth(depth)
    assert not moving.widen(standing, 1)
    assert standing.bucket_ns == MINUTE


STEPS: dict[str, Callable[[Standing], bool]] = {
    "move": lambda standing: moving.move(standing, 1),
    "page": lambda standing: moving.page(standing, 1),
    "scroll": lambda standing: moving.scroll(standing, 1),
    "end": lambda standing: moving.end(standing, last=True),
}


@pytest.mark.parametrize("name", STEPS)
@pytest.mark.parametrize("depth", DEPTHS)
def test_where_nothing_is_shown_no_step_goes_anywhere(name: str, depth: Depth) -> None:
    standing = standing_in(prints_at(range(5)), keep=np.zeros(5, np.bool_))
    standing.look_at(depth)
    place_ns = standing.place_ns
    assert not STEPS[name](standing)
    assert standing.place_ns == place_ns


@pytest.mark.parametrize("name", STEPS)
def test_before_a_run_is_shown_no_step_goes_anywhere(name: str) -> None:
    standing = Standing()
    assert not STEPS[name](standing)
    assert not moving.point_at(standing, 0)
    standing.look_at("minutes")
    assert not moving.widen(standing, 1)
