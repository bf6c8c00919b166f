from __future__ import annotations

from fractions import Fraction

import pytest

from decoders.captures.delimited_facts import Facts, facts_of, rate_of


@pytest.mark.parametrize(
    ("text", "rate_hz"),
    [
        ("Sample Rate: 2 MHz", 2_000_000),
        ("Sampling frequency,24000000", 24_000_000),
        ('"Samplerate","500 kHz"', 500_000),
        ("# sample_rate = 1e6", 1_000_000),
        ("Sample Interval,5.0E-08,s", 20_000_000),
        ("Sample period: 40 ns", 25_000_000),
        ("Increment;0,5 us;", 2_000_000),
        ("rate 100 MS/s", 100_000_000),
    ],
)
def test_rates_and_periods_are_read_above_the_table(text: str, rate_hz: int) -> None:
    assert facts_of([text]) == Facts(rate_hz=Fraction(rate_hz))


@pytest.mark.parametrize("text", ["Operator: night shift", "rate of caps", "Sample count: 500 x"])
def test_other_lines_state_nothing(text: str) -> None:
    assert facts_of([text]) == Facts()


def test_the_last_word_counts() -> None:
    stated = facts_of(
        ["Sample Rate: 1 MHz", "Time unit: ms", "Sample Rate: 2 MHz", "Time unit: us"]
    )
    assert stated == Facts(Fraction(2_000_000), "us")


@pytest.mark.parametrize(
    ("text", "rate_hz"),
    [
        ("2000000", Fraction(2_000_000)),
        ("2e6", Fraction(2_000_000)),
        ("2 MHz", Fraction(2_000_000)),
        ("500 kS/s", Fraction(500_000)),
        ("0.5Hz", Fraction(1, 2)),
        ("1000000000/3", Fraction(10**9, 3)),
        ("fast", None),
        ("2 MV", None),
        ("", None),
    ],
)
def test_a_rate_is_a_number_with_or_without_its_unit(text: str, rate_hz: Fraction | None) -> None:
    assert rate_of(text) == rate_hz
