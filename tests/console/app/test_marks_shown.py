"""Marks in words, and how well they are known."""

from __future__ import annotations

from dataclasses import replace

from console.app.marks_shown import KnownMoment, between, known_moment, shown_marks
from console.app.state.kept import Mark
from console.timeline.clocks import ClockMap, ClockPiece
from console.timeline.order import BEFORE, CANNOT_SAY
from tests.console.app.whole_runs import S, whole_run

PIECE = ClockPiece(
    source="controller",
    clock="firmware",
    from_ns=0,
    until_ns=100 * S,
    offset_ns=0,
    drift_ppm=0.0,
    band_ns=1_000_000,
    anchors=3,
    rejected=0,
    method="equal-values",
    ambiguous=False,
    band_ppm=1.0,
)
PRINTS = [
    {"t_ns": t * S, "source": "controller", "text": "x", "band_ns": 1_000_000} for t in (10, 11)
]


def test_two_events_of_one_clock_are_closer_known_than_each() -> None:
    view = whole_run({"prints": PRINTS}, clocks={"controller": ClockMap((PIECE,))})
    one, other = known_moment(view, 10 * S), known_moment(view, 11 * S)
    assert one == KnownMoment(10 * S, 1_000_000, PIECE)
    assert between(one, other).band_ns == 1_000 + 1


def test_a_restart_between_them_leaves_only_their_bands() -> None:
    pieces = (replace(PIECE, until_ns=10 * S), replace(PIECE, from_ns=11 * S))
    view = whole_run({"prints": PRINTS}, clocks={"controller": ClockMap(pieces)})
    assert between(known_moment(view, 10 * S), known_moment(view, 11 * S)).band_ns == 2_000_000


def test_a_clock_that_is_not_aligned_ties_nothing() -> None:
    loose = replace(PIECE, method="none", band_ns=None)
    prints = [{**row, "band_ns": None} for row in PRINTS]
    view = whole_run({"prints": prints}, clocks={"controller": ClockMap((loose,))})
    found = between(known_moment(view, 10 * S), known_moment(view, 11 * S))
    assert (found.order, found.band_ns) == (CANNOT_SAY, -1)


def test_of_several_events_at_a_moment_the_best_known_counts() -> None:
    prints = [{**PRINTS[0], "band_ns": band} for band in (5_000, None, 70)]
    view = whole_run({"prints": prints})
    assert known_moment(view, 10 * S).band_ns == 70
    assert known_moment(view, 10 * S, event=0).band_ns == 5_000


def test_a_place_where_nothing_happened_is_exact() -> None:
    view = whole_run({"prints": PRINTS})
    assert known_moment(view, 10 * S + 5) == KnownMoment(10 * S + 5)


def test_marks_are_told_by_time_from_each_other_and_from_here() -> None:
    marks = [Mark(5 * S, "later"), Mark(2 * S, "first")]
    shown = shown_marks(marks, KnownMoment(3 * S), KnownMoment, start_ns=S)
    assert [row.mark.note for row in shown] == ["first", "later"]
    assert [row.time for row in shown] == ["00:01.000000000", "00:04.000000000"]
    assert shown[0].since_before is None
    assert shown[1].since_before is not None
    assert (shown[1].since_before.value_ns, shown[1].since_before.order) == (3 * S, BEFORE)
    assert [row.from_here.value_ns for row in shown] == [-S, 2 * S]


def test_no_marks_are_no_rows() -> None:
    assert shown_marks([], KnownMoment(0), KnownMoment, start_ns=0) == []
