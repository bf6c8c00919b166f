"""Lengths of time with their units, exact to the ns."""

from __future__ import annotations

import pytest

from decoders.durations import duration_ns, in_ns, in_words

S = 1_000_000_000


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("250ms", 250_000_000),
        ("1.5 s", 1_500_000_000),
        ("2min", 120_000_000_000),
        ("0.1us", 100),
        ("0.25us", 250),
        ("7ns", 7),
        ("10 µs", 10_000),
        ("3h", 10_800_000_000_000),
        ("1700000000.123456789 s", 1_700_000_000_123_456_789),
    ],
)
def test_a_number_with_a_unit_is_a_duration(text: str, ns: int) -> None:
    assert duration_ns(text) == ns


@pytest.mark.parametrize("text", ["", "5", "ms", "5 parsec", "1,5 s", "1e3 s", "nan s", "5 s s"])
def test_anything_else_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match="a number with a unit, such as"):
        duration_ns(text)


def test_a_sign_is_taken_only_where_it_means_something() -> None:
    assert duration_ns("-12.5s", signed=True) == -12_500_000_000
    assert duration_ns("+1ms", signed=True) == 1_000_000
    with pytest.raises(ValueError, match="must have no sign"):
        duration_ns("-1s")


def test_numbers_in_a_unit_are_exact_in_decimals() -> None:
    assert in_ns(0.3, "s") == 300_000_000
    assert in_ns(25, "ms") == 25_000_000


@pytest.mark.parametrize("value", [-1, float("nan"), float("inf"), 1e12])
def test_numbers_that_are_no_length_of_time_are_refused(value: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        in_ns(value, "s")


@pytest.mark.parametrize(
    ("ns", "expected"),
    [
        (0, "0 ns"),
        (720, "720 ns"),
        (1_840_000, "1.84 ms"),
        (25_000, "25 us"),
        (5 * S, "5 s"),
        (2_048 * S, "34.1 min"),
        (36_000 * S, "10 h"),
        # the least that is said in each unit
        (999, "999 ns"),
        (1_000, "1 us"),
        (1_000_000, "1 ms"),
        (S, "1 s"),
        (120 * S, "2 min"),
        (10_800 * S, "3 h"),
        (172_800 * S, "2 d"),
        # what three digits round up to the next unit
        (999_900_000, "1 s"),
        (999_600, "1 ms"),
        # Rollovers of 16-bit ms and of 32-bit us and ms counters
        (65_536_000_000, "65.5 s"),
        (4_294_967_296_000, "71.6 min"),
        (4_294_967_296_000_000, "49.7 d"),
    ],
)
def test_a_length_is_said_in_the_unit_a_person_would_use(ns: int, expected: str) -> None:
    assert in_words(ns) == expected
