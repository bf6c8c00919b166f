"""Lengths of time with their units, exact to the ns."""

from __future__ import annotations

import pytest

from console.bench.durations import duration_ns, in_ns


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("250ms", 250_000_000),
        ("1.5 s", 1_500_000_000),
        ("2min", 120_000_000_000),
        ("0.1us", 100),
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
