"""Times in the gutter: to what is known, and never too long for it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.app.signs import UNICODE
from console.app.timeline.columns import GUTTER
from console.app.timeline.gutter import (
    ROOM,
    SHORT_NS,
    bracket,
    exactly,
    full_time,
    gutter_cells,
    since_head,
)
from tests.console.app.timeline.views import text_of, width_of

S, MS, US = 10**9, 10**6, 10**3
HOUR = 3600 * S
YEAR = 8760 * HOUR
WALL = 1_795_582_800 * S  # 25 November 2026, 05:00 UTC


@given(
    st.integers(-YEAR, 2 * YEAR),
    st.one_of(st.integers(-1, 10), st.integers(0, HOUR)),
    st.sampled_from([None, WALL]),
    st.sampled_from([30, S, HOUR, YEAR]),
)
def test_a_time_in_full_has_room_in_the_gutter(
    t_ns: int, band_ns: int, wall_ns: int | None, length_ns: int
) -> None:
    assert 0 < len(full_time(t_ns, band_ns, 0, wall_ns, length_ns)) <= ROOM


@given(st.integers(0, 2 * YEAR), st.integers(0, YEAR), st.integers(-1, HOUR))
def test_a_time_since_the_head_has_room_in_the_gutter(
    later: int, head_ns: int, band_ns: int
) -> None:
    assert len(since_head(head_ns + later, head_ns, band_ns)) <= ROOM


@pytest.mark.parametrize(
    ("t_ns", "band_ns", "length_ns", "text"),
    [
        (2050 * S + 852_933_000, 0, HOUR, "34:10.8529"),
        (2050 * S + 852_933_000, 5 * MS, HOUR, "34:10.853"),
        (2050 * S + 852_933_000, 20 * MS, HOUR, "34:10.85"),
        (4 * HOUR + 852_933_000, 0, 5 * HOUR, "4:00:00.8529"),
        (1000 * HOUR + 852_933_000, 0, YEAR, "1000:00:00.9"),
        (-1_500 * MS, 0, HOUR, "-00:01.5000"),
        (3_412_345, 0, 10 * MS, "00:00.003412"),
        (30, 0, 30, "30 ns"),
        (412_345, 0, 10 * MS, "412.345 us"),
        (412_345, 2 * MS, 10 * MS, "00:00.000"),
        (5, -1, HOUR, "no time"),
    ],
)
def test_a_time_since_the_start_has_the_digits_that_are_known(
    t_ns: int, band_ns: int, length_ns: int, text: str
) -> None:
    assert full_time(t_ns, band_ns, 0, None, length_ns) == text


@pytest.mark.parametrize(
    ("band_ns", "length_ns", "text"),
    [
        (0, HOUR, "05:00:01.234"),
        (20 * MS, HOUR, "05:00:01.23"),
        (2 * S, HOUR, "05:00:01"),
        (0, YEAR, "25 05:00:01"),
        (24 * HOUR, YEAR, "11-25 05:00"),
    ],
)
def test_the_time_of_day_tells_the_day_in_runs_of_days(
    band_ns: int, length_ns: int, text: str
) -> None:
    assert full_time(S + 234 * MS, band_ns, 0, WALL, length_ns) == text


@pytest.mark.parametrize(
    ("since_ns", "band_ns", "text"),
    [
        (1_281_500, 0, "+1.28 ms"),
        (0, 0, "+0 ns"),
        (2_600_000, 400_000, "+2.6 ms"),
        (2_600_000, 1_007_812, "+3 ms"),
        (300_000, 1_007_812, "+0 ms"),
        (300_000, 20 * MS, "+0 ms"),
        (14 * MS, 20 * MS, "+10 ms"),
        (14 * MS, 200 * MS, "+0 ms"),
        (1, -1, "no time"),
    ],
)
def test_a_time_since_the_head_has_the_digits_that_are_known(
    since_ns: int, band_ns: int, text: str
) -> None:
    assert since_head(since_ns, 0, band_ns) == text


@given(st.integers(-999_999, 999_999))
def test_short_times_are_written_to_the_ns(ns: int) -> None:
    number, unit = exactly(ns).split()
    assert round(float(number) * {"ns": 1, "us": 1000}[unit]) == ns


def test_the_gutter_is_as_wide_as_it_says() -> None:
    row = gutter_cells("34:10.8529", UNICODE.joined, UNICODE, chosen=True, style="text")
    assert width_of(row) == GUTTER
    assert text_of(row).startswith(UNICODE.cursor)
    assert width_of(gutter_cells("x" * 40, "", UNICODE, chosen=False, style="text")) == GUTTER


def test_a_bracket_opens_goes_on_and_ends() -> None:
    pieces = [bracket(*sides, UNICODE) for sides in ((False, True), (True, True), (True, False))]
    assert pieces == [UNICODE.joined_top, UNICODE.joined, UNICODE.joined_end]
    assert bracket(False, False, UNICODE) == ""


def test_a_run_just_under_ten_seconds_is_short() -> None:
    assert full_time(2 * S, 0, 0, None, SHORT_NS - 1) == "00:02.000000"
    assert full_time(2 * S, 0, 0, None, SHORT_NS) == "00:02.0000"
