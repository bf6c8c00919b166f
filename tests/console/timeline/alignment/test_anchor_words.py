"""Anchors and decisions in words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.timeline.alignment.anchor_words import (
    REASON_MEANS,
    REASON_WORDS,
    change_words,
    side_words,
    signed_words,
)
from console.timeline.alignment.anchors import Reason
from console.timeline.clocks import ClockPiece

MS, S = 10**6, 10**9
BEFORE = ClockPiece(
    source="log",
    clock="host",
    from_ns=0,
    until_ns=100 * S,
    offset_ns=-1_700_000_000 * S,
    drift_ppm=-10.0,
    band_ns=2 * MS,
    anchors=40,
    rejected=1,
    method="equal-values",
    ambiguous=False,
    centre_ns=1_700_000_050 * S,
)


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_has_words(reason: Reason) -> None:
    assert REASON_WORDS[reason]
    assert REASON_MEANS[reason]


@pytest.mark.parametrize(
    ("side", "expected"),
    [(1, "follows wire"), (-1, "goes before wire"), (0, "one moment with wire")],
)
def test_the_side_of_an_anchor_is_said(side: int, expected: str) -> None:
    assert side_words(side, "wire") == expected


def test_a_length_is_said_with_its_sign() -> None:
    assert [signed_words(ns) for ns in (-720, 0, 1_840_000)] == ["-720 ns", "+0 ns", "+1.84 ms"]


def test_nothing_is_said_where_nothing_changed() -> None:
    assert change_words(BEFORE, BEFORE) == ""


def test_what_changed_is_said_in_one_line() -> None:
    after = replace(BEFORE, band_ns=3 * MS, anchors=39, rejected=2)
    assert change_words(BEFORE, after) == "band 2 ms to 3 ms, anchors 40 to 39"


def test_the_offset_is_compared_where_the_source_ran_and_not_in_1970() -> None:
    # A drift that differs by 1 ppm moves an offset at 0 by half an hour here, and the middle not.
    after = replace(BEFORE, drift_ppm=-9.0, offset_ns=BEFORE.offset_ns - 1_700_000_050 * 1_000)
    assert change_words(BEFORE, after) == "drift -10.0 to -9.0 ppm"


def test_another_offset_is_said_by_how_far_it_moved() -> None:
    moved = replace(BEFORE, offset_ns=BEFORE.offset_ns + 3 * S)
    assert change_words(BEFORE, moved) == "offset +3 s"


def test_a_clock_that_lost_its_place_says_so() -> None:
    lost = replace(BEFORE, method="none", band_ns=None)
    assert change_words(BEFORE, lost) == "band 2 ms to not known, equal-values to none"
