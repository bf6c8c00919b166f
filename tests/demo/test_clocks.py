"""Clocks are exact maps of whole nanoseconds."""

from __future__ import annotations

from fractions import Fraction
from math import floor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from captures_demo.simulator.clocks import Clock, Piece, maps_to

TIMES = st.integers(0, 10**14)  # 28 hours
RATES = st.integers(-10_000_000, 10_000_000)  # 1 %, an RC oscillator
EPOCH_NS = 1_795_597_920 * 10**9


# Drift for 20 and 100 ppm over an hour: 3.6 ms for each ppm (10**-6 of 3600 s).
@pytest.mark.parametrize(
    ("rate_ppb", "gained_ns"), [(20_000, 72_000_000), (-100_000, -360_000_000)]
)
def test_drift_of_an_hour(rate_ppb: int, gained_ns: int) -> None:
    hour_ns = 3_600 * 10**9
    assert Clock("board", rate_ppb=rate_ppb).read(hour_ns) == hour_ns + gained_ns


@given(true_ns=TIMES, rate_ppb=RATES, native_ns=st.integers(-(10**18), 2 * 10**18))
def test_reading_is_the_exact_line_rounded_down(
    true_ns: int, rate_ppb: int, native_ns: int
) -> None:
    exact = native_ns + true_ns * (1 + Fraction(rate_ppb, 10**9))
    assert Clock("any", native_ns, rate_ppb).read(true_ns) == floor(exact)


@given(
    times=st.lists(TIMES, max_size=20).map(sorted),
    rates=st.lists(RATES, min_size=1, max_size=4),
    steps=st.lists(st.integers(-(10**12), 10**12), min_size=4, max_size=4),
)
def test_column_reads_as_single_times_do(
    times: list[int], rates: list[int], steps: list[int]
) -> None:
    clock = Clock("any", EPOCH_NS, rates[0])
    for k, rate_ppb in enumerate(rates[1:], 1):
        clock.change(k * 2 * 10**13, step_ns=steps[k], rate_ppb=rate_ppb)
    column = clock.exact_many(np.array(times, np.int64))
    assert column.tolist() == [clock.exact(time) for time in times]


@given(native_ns=TIMES, rate_ppb=RATES)
def test_inverse_is_the_first_time_that_shows_it(native_ns: int, rate_ppb: int) -> None:
    clock = Clock("any", rate_ppb=rate_ppb)
    true_ns = clock.true(native_ns)
    assert clock.exact(true_ns) >= native_ns > clock.exact(true_ns - 1)


@given(true_ns=TIMES, rate_ppb=RATES, common_ppb=RATES)
def test_truth_about_a_clock_maps_its_readings_to_the_common_ones(
    true_ns: int, rate_ppb: int, common_ppb: int
) -> None:
    clock, common = Clock("host", EPOCH_NS, rate_ppb), Clock("capture", 5_000, common_ppb)
    (row,) = maps_to(clock, common, "broker")
    native_ns = clock.exact(true_ns)
    assert abs(row.common_ns(native_ns) - common.exact(true_ns)) <= 2  # both were rounded down
    by_formula = native_ns + row.offset_ns + round(row.drift * native_ns)
    assert abs(by_formula - row.common_ns(native_ns)) <= 1


def test_step_has_a_row_of_its_own_in_the_truth() -> None:
    clock = Clock("host", EPOCH_NS)
    clock.change(10**9, step_ns=-250)
    first, second = maps_to(clock, Clock("capture"), "broker")
    assert (first.offset_ns, second.offset_ns) == (-EPOCH_NS, -EPOCH_NS + 250)
    assert second.at_native_ns == EPOCH_NS + 10**9 - 250


def test_readings_are_whole_quanta() -> None:
    clock = Clock("host", quantum_ns=1_000, pieces=[Piece(0, 7, 0)])
    assert [clock.read(t_ns) for t_ns in (0, 992, 993)] == [0, 0, 1_000]


def test_change_in_the_past_is_refused() -> None:
    with pytest.raises(ValueError, match="not after the last change"):
        Clock("host").change(0, step_ns=1)
