"""Differences, their bands, and their words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.timeline.clocks import NO_BAND, ClockMap, ClockPiece
from console.timeline.finding.difference import (
    Difference,
    difference,
    difference_words,
    shared_piece,
)
from console.timeline.order import AFTER, BEFORE, CANNOT_SAY

MS, S = 10**6, 10**9
PIECE = ClockPiece(
    source="controller",
    clock="firmware",
    from_ns=0,
    until_ns=100 * S,
    offset_ns=0,
    drift_ppm=3.0,
    band_ns=MS,
    anchors=9,
    rejected=0,
    method="equal-values",
    ambiguous=False,
    band_ppm=2.0,
)


def test_bands_of_two_clocks_add_up() -> None:
    assert difference(10 * MS, 400, 12 * MS, 600) == Difference(2 * MS, 1_000, BEFORE)
    assert difference(12 * MS, 400, 10 * MS, 600) == Difference(-2 * MS, 1_000, AFTER)


def test_bands_that_touch_leave_the_order_open() -> None:
    assert difference(0, 400, 1_000, 600).order == CANNOT_SAY
    assert difference(0, 400, 1_001, 600).order == BEFORE


def test_on_one_clock_only_drift_and_resolution_are_in_doubt() -> None:
    found = difference(0, MS, 10 * S, MS, same=PIECE, resolution_ns=1_000)
    assert found == Difference(10 * S, 20_000 + 1_000, BEFORE)


def test_a_moment_that_is_not_on_the_axis_has_no_difference() -> None:
    assert difference(0, NO_BAND, 10, 0) == Difference(10, NO_BAND, CANNOT_SAY)


def test_two_moments_share_the_piece_they_both_lie_in() -> None:
    later = replace(PIECE, from_ns=101 * S, until_ns=200 * S)
    clock = ClockMap((PIECE, later))
    assert shared_piece(clock, 1, 100 * S) is PIECE
    assert shared_piece(clock, 150 * S, 102 * S) is later
    assert shared_piece(clock, 1, 150 * S) is None


@pytest.mark.parametrize(
    ("value_ns", "band_ns", "words"),
    [
        (1_278_500, 10_000, "1.279 ms ± 0.010 ms"),
        (1_278_500, 12_345, "1.279 ms ± 0.013 ms"),
        (1_278_500, 1, "1.278500 ms ± 0.000001 ms"),
        (-1_278_500, 250, "-1.27850 ms ± 0.00025 ms"),
        (720, 5, "720 ns ± 5 ns"),
        (720, 0, "720 ns"),
        (0, 0, "0 ns"),
        (2_047_930_000_000, 400_000_000, "34:07.93 ± 0.40 s"),
        (-2_047_930_000_000, 1, "-34:07.930000000 ± 0.000000001 s"),
        (120 * S, 0, "02:00.000000000"),
        (999_999_999, 1_000_000, "1,000.0 ms ± 1.0 ms"),
        (7 * S, 3 * S, "7.0 s ± 3.0 s"),
    ],
)  # JCGM 100:2008 section 7.2.6: at most two significant digits of uncertainty
def test_a_difference_is_said_to_the_digits_its_band_allows(
    value_ns: int, band_ns: int, words: str
) -> None:
    came = BEFORE if value_ns > 0 else AFTER
    assert difference_words(Difference(value_ns, band_ns, came)) == words


def test_an_open_order_is_said() -> None:
    unknown = Difference(-300_000, MS, CANNOT_SAY)
    assert difference_words(unknown) == "order not known, 0.3 ms ± 1.0 ms"
    assert (
        difference_words(Difference(5, NO_BAND, CANNOT_SAY)) == "order not known: no common clock"
    )
    ascii_only = difference_words(unknown, plus_minus="+-")
    assert ascii_only.isascii()


@given(
    value_ns=st.integers(-(10**15), 10**15),
    band_ns=st.integers(0, 10**12),
)
def test_what_is_said_is_true_of_what_is_known(value_ns: int, band_ns: int) -> None:
    value, _, band = difference_words(Difference(value_ns, band_ns, BEFORE)).partition(" ± ")
    said_ns = in_ns(value)
    half_ns = in_ns(band) if band else 0
    assert half_ns >= band_ns
    # Rounding moves the value by less than the last digit of the half-width.
    assert abs(said_ns - value_ns) <= max(half_ns / 10, 0.5) / 2 + 1


def in_ns(text: str) -> int:
    """`1.279 ms` or `34:07.93` back as ns."""
    units = {"s": S, "ms": MS, "us": 1_000, "ns": 1}
    number, _, unit = text.replace(",", "").partition(" ")
    sign = -1 if number.startswith("-") else 1
    total = 0
    for part in number.lstrip("-").split(":"):
        total = total * 60 + round(float(part) * units[unit or "s"]) if unit else total * 60
        if not unit:
            whole, _, fraction = part.partition(".")
            total += int(whole) * S + int(fraction.ljust(9, "0") or 0)
    return sign * total
