"""Round limits: powers of two, a table of handles, and ticks."""

from __future__ import annotations

import pytest

from console.diagnosis.lifetimes.limits import (
    WRAPS,
    Wrap,
    near_limit,
    nearest_power,
    past_wrap_ns,
    uptime_ns,
)

S, HOUR, DAY = 10**9, 3_600 * 10**9, 86_400 * 10**9


def wrap(name: str) -> Wrap:
    return next(each for each in WRAPS if each.name == name)


# Arithmetic: 2^32 us is 71.58 min, 2^31 ms 24.855 days, 2^32 ms 49.710 days.
@pytest.mark.parametrize(
    ("name", "period_s"),
    [
        ("2^24 microseconds", 16.777216),
        ("2^16 milliseconds", 65.536),
        ("2^31 microseconds", 35.791394 * 60),
        ("2^32 microseconds", 4294.967296),
        ("2^15 seconds", 9.102222 * 3600),
        ("2^16 seconds", 18.204444 * 3600),
        ("2^31 milliseconds", 24.855135 * 86400),
        ("2^16 minutes", 45.511111 * 86400),
        ("2^32 milliseconds", 49.710270 * 86400),
    ],
)
def test_ticks_roll_over_when_arithmetic_says(name: str, period_s: float) -> None:
    assert wrap(name).period_ns / S == pytest.approx(period_s, rel=1e-6)


def test_ticks_stand_by_their_period() -> None:
    periods = [each.period_ns for each in WRAPS]
    assert periods == sorted(periods)


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (2047, 2047, "one less than 2^11 = 2,048"),
        (2048, 2048, "2^11 = 2,048"),
        (2049, 2049, "one more than 2^11 = 2,048"),
        (127, 128, "2^7 = 128"),
        (65_530, 65_540, "2^16 = 65,536"),
        (1014, 1014, "1,024 less 10 already open"),
        (1018, 1020, "1,024 less 4 already open"),
        (1010, 1014, ""),
        (2000, 2040, ""),
        (930, 1_110, ""),
        (1_015, 1_026, ""),
        (16, 16, ""),
    ],
)
def test_counts_near_a_limit_are_told(low: int, high: int, said: str) -> None:
    assert near_limit(low, high) == said


@pytest.mark.parametrize(
    ("value", "power"), [(1, 1), (2047, 2048), (2900, 4096), (2890, 2048), (5, 4), (6, 8)]
)
def test_the_nearest_power_is_near_by_ratio(value: int, power: int) -> None:
    assert nearest_power(value) == power


def test_time_past_a_rollover_is_counted_from_the_last_or_to_the_next() -> None:
    minute = wrap("2^16 milliseconds")
    got = [past_wrap_ns(round(s * S), minute) for s in (65.0, 66.536, 131.072, 30.0)]
    assert got == pytest.approx([-0.536 * S, 1.0 * S, 0.0, -35.536 * S])


def test_an_uptime_is_told_by_its_finest_tick() -> None:
    assert uptime_ns({"ms": 7, "us": 7_100}) == 7_100_000
    assert (uptime_ns({"s": 3}), uptime_ns({})) == (3 * S, None)
