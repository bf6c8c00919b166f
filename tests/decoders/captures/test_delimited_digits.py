"""Exact times from decimal digits."""

from __future__ import annotations

from datetime import datetime, timezone
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.captures.delimited_digits import TimeColumn, decimal_of, time_ns, unit_of

SECONDS = TimeColumn(0, "decimal", unit_power=9)
CLOCK = TimeColumn(0, "clock")
DATE = TimeColumn(0, "date")


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("0", (0, 0)),
        ("-1.25E-06", (-125, -8)),
        ("1,25E-06", (125, -8)),
        ("+.5", (5, -1)),
        ("5.", (5, 0)),
        ("1e3", (1, 3)),
        ("", None),
        (".", None),
        ("e5", None),
        ("1.2.3", None),
        ("1 000", None),
        ("0x10", None),
        ("1e99999", None),
        ("\u0661", None),
    ],
)
def test_numbers_are_digits_and_a_power_of_ten(cell: str, expected: tuple[int, int] | None) -> None:
    assert decimal_of(cell) == expected


@given(
    value=st.decimals(-9_000_000_000, 9_000_000_000, places=11),
    power=st.sampled_from([9, 6, 3, 0]),
)
def test_times_are_rounded_as_decimal_does_halves_away_from_zero(
    value: Decimal, power: int
) -> None:
    exact = value.scaleb(power)
    expected = int(exact.quantize(Decimal(1), rounding=ROUND_HALF_UP))
    column = TimeColumn(0, "decimal", unit_power=power)
    assert time_ns(column, f"{value:f}") == (expected, exact == expected)


@pytest.mark.parametrize("cell", ["9223372036.854775808", "-9223372036.854775808", "1e30"])
def test_a_time_beyond_64_bits_overflows(cell: str) -> None:
    with pytest.raises(OverflowError):
        time_ns(SECONDS, cell)


def test_the_last_time_within_64_bits_is_exact() -> None:
    assert time_ns(SECONDS, "9223372036.854775807") == (2**63 - 1, True)


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("00:00:01.5", 1_500_000_000),
        ("-00:00:00,000000001", -1),
        ("100:59:59.123456789", 363_599_123_456_789),
        ("12:60:00", None),
        ("12:00", None),
    ],
)
def test_clock_times_are_exact(cell: str, expected: int | None) -> None:
    got = time_ns(CLOCK, cell)
    assert (None if got is None else got[0]) == expected


@given(moment=st.datetimes(datetime(1900, 1, 1), datetime(2200, 1, 1)))
def test_dates_are_exact_ns_since_1970(moment: datetime) -> None:
    utc = moment.replace(tzinfo=timezone.utc)  # noqa: UP017
    since = utc - datetime(1970, 1, 1, tzinfo=timezone.utc)  # noqa: UP017
    expected = (since.days * 86_400 + since.seconds) * 10**9 + since.microseconds * 1000
    text = moment.strftime("%m-%dT%H:%M:%S")
    cell = f"{moment.year:04d}-{text}.{moment.microsecond:06d}"
    assert time_ns(DATE, cell + "Z") == (expected, True)
    assert time_ns(DATE, cell + "+02:30") == (expected - 9_000 * 10**9, True)


@pytest.mark.parametrize("cell", ["2024-02-30T00:00:00", "2024-13-01T00:00:00", "2024-01-01"])
def test_days_that_do_not_exist_are_no_time(cell: str) -> None:
    assert time_ns(DATE, cell) is None


@given(number=st.integers(-(10**9), 10**9), rate=st.integers(1, 10**9))
def test_sample_numbers_become_the_nearest_ns(number: int, rate: int) -> None:
    got = time_ns(TimeColumn(0, "sample", period_ns=Fraction(10**9, rate)), str(number))
    assert got is not None
    assert abs(Fraction(number * 10**9, rate) - got[0]) <= Fraction(1, 2)


def test_half_a_sample_is_no_sample_number() -> None:
    assert time_ns(TimeColumn(0, "sample", period_ns=Fraction(500)), "1.5") is None


@pytest.mark.parametrize(
    ("word", "unit"),
    [
        ("s", "s"),
        ("Seconds", "s"),
        ("MSEC", "ms"),
        ("us", "us"),
        ("\u00b5s", "us"),
        ("\u03bcs", "us"),
        ("ns", "ns"),
        ("V", None),
        ("hours", None),
    ],
)
def test_words_for_units_are_known(word: str, unit: str | None) -> None:
    assert unit_of(word) == unit
