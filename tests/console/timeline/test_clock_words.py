"""A clock in words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.timeline.clock_words import clock_words, offset_words
from console.timeline.clocks import ClockMap, ClockPiece

TIED = ClockPiece(
    source="log",
    clock="firmware",
    from_ns=0,
    until_ns=10**9,
    offset_ns=5,
    drift_ppm=-37.64,
    band_ns=1_007_812,
    anchors=2_043,
    rejected=0,
    method="equal-values",
    ambiguous=False,
)
AXIS = replace(TIED, method="axis", band_ns=0, anchors=0)
OFF = replace(TIED, method="none", band_ns=None, anchors=0)


@pytest.mark.parametrize(
    ("pieces", "expected"),
    [
        ([TIED], "within 1.01 ms, 2,043 equal values, -37.6 ppm"),
        ([AXIS], "the axis"),
        ([replace(AXIS, method="declared")], "offset declared"),
        ([replace(TIED, method="wall-clock", ambiguous=True)],
         "within 1.01 ms, by date and time, ambiguous"),
        ([TIED, TIED], "within 1.01 ms, 4,086 equal values, -37.6 ppm, in 2 pieces"),
        ([AXIS, OFF], "the axis; 1 of 2 stretches between restarts not aligned"),
        ([OFF], "of its own clock: not aligned, no value ties it to another source"),
    ],
)  # fmt: skip
def test_how_a_clock_lies_on_the_axis_is_said(pieces: list[ClockPiece], expected: str) -> None:
    assert clock_words(ClockMap(tuple(pieces))) == expected


@pytest.mark.parametrize(
    ("offset_ns", "band_ns", "expected"),
    [
        (0, None, "+00:00.000"),
        (-3_599_554_734_904, 1_007_812, "-59:59.555"),
        (-3_599_554_734_904, 1, "-59:59.554734904"),
        (-1_795_580_402_811_293_428, 5_145_352, "-20,782 d 04:20:02.811"),
        (3_661_000_000_000, 2 * 10**9, "+1:01:01"),
    ],
)
def test_an_offset_is_said_with_days_and_to_the_digits_its_band_allows(
    offset_ns: int, band_ns: int | None, expected: str
) -> None:
    assert offset_words(offset_ns, band_ns) == expected
