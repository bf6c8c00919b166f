from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.prints.columns import NO_TIME
from decoders.prints.ticks import DAY, TICKS, WALL, Ticks

NS, US, MS, S = 1, 1000, 1_000_000, 1_000_000_000

Row = tuple[int, int, bool]  # native_ns, epoch, believed


def settled(
    stamps: list[int],
    unit: int,
    *,
    bits: int | None = None,
    host: list[int] | None = None,
    clock: int = TICKS,
    cuts: tuple[int, ...] = (),
) -> tuple[list[Row], Ticks]:
    """Feed stamps in units, all but the resolved ones again, as the print decoder does."""
    ticks = Ticks(bits)
    ticks.begin(clock, unit)
    raw = np.array(stamps, dtype=np.int64) * unit
    arrival = np.full(len(raw), NO_TIME) if host is None else np.array(host, dtype=np.int64)
    rows = np.arange(len(raw))
    got: list[Row] = []
    for end in (*cuts, len(raw)):
        begin = len(got)
        if end < begin:
            continue
        done = ticks.feed(
            rows[begin:end], raw[begin:end], arrival[begin:end], end, final=end == len(raw)
        )
        columns = (done.native_ns.tolist(), done.epoch.tolist(), done.believed.tolist())
        got += list(zip(*columns, strict=True))
    return got, ticks


# Derived from the counter's width: a b-bit counter of a unit wraps after 2^b units.
@pytest.mark.parametrize(
    ("bits", "unit", "period_ns"),
    [
        (16, US, 65_536_000),
        (16, MS, 65_536_000_000),
        (24, US, 16_777_216_000),
        (32, NS, 4_294_967_296),
        (32, US, 4_294_967_296_000),
        (31, MS, 2_147_483_648_000_000),
        (32, MS, 4_294_967_296_000_000),
    ],
)
def test_a_counter_of_any_width_goes_on_after_its_rollover(
    bits: int, unit: int, period_ns: int
) -> None:
    got, ticks = settled([2**bits - 6, 5], unit, bits=bits)
    assert ticks.period_ns == period_ns
    assert got[1][0] - got[0][0] == 11 * unit
    assert [jump.wraps for jump in ticks.rollovers] == [1]


def test_4294967290_ms_then_5_ms_is_11_ms() -> None:
    got, ticks = settled([4294967290, 5], MS, bits=32)
    assert got[1][0] - got[0][0] == 11 * MS
    assert (ticks.rollovers[0].row, ticks.rollovers[0].kind) == (1, "rollover")


def test_one_wrap_when_the_host_says_130_us_passed() -> None:
    got, ticks = settled([4294967290, 120], US, bits=32, host=[0, 130 * US])
    assert got[1][0] - got[0][0] == 126 * US
    assert [jump.wraps for jump in ticks.rollovers] == [1]


def test_a_step_back_of_20_ms_with_no_wrap_near_is_a_late_line() -> None:
    got, ticks = settled([5000, 5020, 5000, 5040], MS, bits=32)
    assert [row[0] for row in got] == [5000 * MS, 5020 * MS, 5000 * MS, 5040 * MS]
    assert (ticks.late, ticks.rollovers, ticks.restarts) == (1, [], [])


def test_time_near_0_far_from_the_wrap_is_a_restart_and_a_new_epoch() -> None:
    got, ticks = settled([100_000, 100_500, 12, 512], MS, bits=32)
    assert [row[:2] for row in got] == [
        (100_000 * MS, 0),
        (100_500 * MS, 0),
        (12 * MS, 1),
        (512 * MS, 1),
    ]
    jump = ticks.restarts[0]
    assert (jump.row, jump.kind, jump.before_ns, jump.after_ns, jump.epoch) == (
        2,
        "restart",
        100_500 * MS,
        12 * MS,
        1,
    )


def test_a_silence_longer_than_the_period_is_counted_by_the_host() -> None:
    # 3 h of silence on a 32-bit microsecond counter: 10 800 s are 2 wraps and 2210.07 s.
    period = 2**32
    before = 1_000_000
    after = (before + 10_800_000_000) % period
    got, ticks = settled([before, after], US, bits=32, host=[0, 10_800 * S + 5 * MS])
    assert got[1][0] - got[0][0] == 10_800 * S
    assert [jump.wraps for jump in ticks.rollovers] == [2]


def test_the_width_is_found_where_it_is_not_given() -> None:
    for unit in (US, MS):
        got, ticks = settled([2**32 - 3000, 2**32 - 1000, 700], unit)
        assert (got[2][0] - got[1][0], ticks.found_bits) == (1700 * unit, 32)


def test_16_bits_are_found_only_in_step_with_the_lines_before() -> None:
    steady, ticks = settled([*range(60_000, 65_536, 500), 470], MS)
    assert (steady[-1][0] - steady[-2][0], ticks.found_bits) == (506 * MS, 16)
    _, other = settled([58_000, 58_100, 58_200, 90], MS)
    assert (other.found_bits, len(other.restarts)) == (0, 1)


def test_milliseconds_made_from_32_bits_of_microseconds_roll_over_at_4294967() -> None:
    got, ticks = settled([4294000, 4294900, 33], MS)
    assert (got[2][1], ticks.period_ns) == (0, 4_294_967_296_000)


def test_a_line_from_before_the_rollover_that_comes_after_it_stays_before() -> None:
    top = 2**32
    got, ticks = settled([top - 500, top - 10, 5, top - 3, 8, 1000], MS, bits=32)
    assert [row[0] // MS - top for row in got] == [-500, -10, 5, -3, 8, 1000]
    assert (len(ticks.rollovers), ticks.late) == (1, 1)


def test_a_stamp_that_lost_a_digit_is_not_believed() -> None:
    got, ticks = settled([123_000, 123_500, 1240, 124_500, 125_000], MS)
    assert [row[2] for row in got] == [True, True, False, True, True]
    assert [row[1] for row in got] == [0] * 5
    assert (ticks.stray, ticks.restarts) == (1, [])


def test_a_stamp_far_ahead_does_not_make_a_restart_of_the_next_one() -> None:
    got, ticks = settled([123_000, 123_500, 924_000, 124_500, 125_000], MS)
    assert [row[1] for row in got] == [0] * 5
    assert ticks.restarts == []


def test_a_restart_after_a_long_silence_is_a_restart() -> None:
    got, _ = settled([1000, 2000, 3000, 100_000, 1500, 2500], MS)
    assert [row[1] for row in got] == [0, 0, 0, 0, 1, 1]


def test_a_restart_in_a_silence_shows_by_the_host() -> None:
    host = [0, 1 * S, 3600 * S, 3601 * S]
    got, ticks = settled([5000, 6000, 9000, 10_000], MS, host=host)
    assert [row[1] for row in got] == [0, 0, 1, 1]
    assert ticks.restarts[0].kind == "restart or pause"


def test_host_stamps_in_heaps_make_no_restart() -> None:
    stamps = list(range(1000, 61_000, 1000))
    host = [(k // 5) * 5 * S for k in range(60)]
    got, ticks = settled(stamps, MS, host=host)
    assert {row[1] for row in got} == {0}
    assert ticks.restarts == []


def test_midnight_goes_on_for_a_clock_without_a_date() -> None:
    got, ticks = settled([86_399, 2], S, clock=DAY)
    assert got[1][0] - got[0][0] == 3 * S
    assert ticks.restarts == []


def test_a_wall_clock_that_is_set_begins_a_new_epoch() -> None:
    sync = [5, 6, 1_700_000_000, 1_700_000_001, 1_699_996_402, 1_699_996_403]
    got, ticks = settled(sync, S, clock=WALL)
    assert [row[1] for row in got] == [0, 0, 1, 1, 2, 2]
    assert [jump.kind for jump in ticks.restarts] == ["set", "set"]


def test_a_step_back_waits_for_the_next_stamp_but_not_for_ever() -> None:
    ticks = Ticks()
    ticks.begin(TICKS, MS)
    raw = np.array([100_000, 100_500, 12]) * MS
    none = np.full(3, NO_TIME)
    first = ticks.feed(np.arange(3), raw, none, 3, final=False)
    still = ticks.feed(np.array([2]), raw[2:], none[2:], 66, final=False)
    late = ticks.feed(np.array([2]), raw[2:], none[2:], 67, final=False)
    assert (first.count, still.count, late.count) == (2, 0, 1)
    assert late.epoch.tolist() == [1]


# How far the counter goes on, and what is printed of it: itself, less a digit, or far too much.
STEPS = st.lists(
    st.tuples(
        st.one_of(
            st.integers(0, 2000),
            st.sampled_from([-15, -400, 60_000, 10**9, -(10**12), -5000]),
        ),
        st.sampled_from(["right", "right", "right", "short", "ahead"]),
    ),
    max_size=40,
)


@settings(max_examples=100, deadline=None)
@given(
    STEPS,
    st.lists(st.integers(0, 40)),
    st.sampled_from([None, 16, 32]),
    st.booleans(),
    st.sampled_from([4_294_960_000, 123_000]),
)
def test_times_do_not_depend_on_how_the_stamps_are_cut(
    steps: list[tuple[int, str]], cuts: list[int], bits: int | None, hosted: bool, now: int
) -> None:
    stamps, host = [now], [0]
    for step, printed in steps:
        now = max(now + step, abs(step) % 700) % 2**32
        shown = {"right": now, "short": now // 1000, "ahead": now + 800_000}[printed]
        stamps.append(shown)
        host.append(host[-1] + max(step, 1) * MS)
    assert_any_cut_is_the_same(stamps, cuts, bits, host if hosted else None)


def assert_any_cut_is_the_same(
    stamps: list[int], cuts: list[int], bits: int | None, host: list[int] | None
) -> list[Row]:
    edges = tuple(sorted(min(cut, len(stamps)) for cut in cuts))
    whole, one = settled(stamps, MS, bits=bits, host=host)
    pieces, other = settled(stamps, MS, bits=bits, host=host, cuts=edges)
    each, third = settled(stamps, MS, bits=bits, host=host, cuts=tuple(range(1, len(stamps))))
    assert pieces == whole
    assert each == whole
    assert one.rollovers == other.rollovers == third.rollovers
    assert one.restarts == other.restarts == third.restarts
    return whole


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(1, 5_000) | st.integers(0, 5 * 65_536), min_size=1, max_size=30),
    st.integers(0, 2**16 - 1),
    st.lists(st.integers(0, 30)),
)
def test_a_host_counts_the_rollovers_of_any_silence_however_it_is_cut(
    steps: list[int], start: int, cuts: list[int]
) -> None:
    true = np.cumsum([start, *steps]).tolist()
    host = [count * MS for count in true]
    stamps = [count % 2**16 for count in true]
    got = assert_any_cut_is_the_same(stamps, cuts, 16, host)
    assert [row[0] for row in got] == [count * MS for count in true]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(1, 5_000), min_size=1, max_size=300),
    st.integers(0, 2**32 - 1),
    st.sampled_from([(16, MS), (32, US), (32, MS)]),
)
def test_a_counter_read_at_least_every_quarter_period_is_unwrapped_exactly(
    steps: list[int], start: int, kind: tuple[int, int]
) -> None:
    bits, unit = kind
    true = np.cumsum([start % 2**bits, *steps]).tolist()
    got, ticks = settled([count % 2**bits for count in true], unit, bits=bits)
    assert [row[0] for row in got] == [count * unit for count in true]
    assert sum(jump.wraps for jump in ticks.rollovers) == true[-1] >> bits
    assert all(b[0] > a[0] for a, b in pairwise(got))
