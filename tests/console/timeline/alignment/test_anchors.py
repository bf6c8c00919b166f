"""What a source's clock rests on, told as columns: which anchors, how far off, and why not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from console.timeline.alignment.align import Alignment, aligned
from console.timeline.alignment.anchors import NO_ROW, AnchorId, Anchors, Reason, by_span
from console.timeline.clocks import ClockMap, ClockPiece
from tests.console.timeline.worlds import MS, SECOND, Plan, World, random_plan, world

Int64s = npt.NDArray[np.int64]

SEEDS = range(12)
DELAY_NS = 35 * MS  # at most 3 ms to print, 16 ms to send and 16 ms to be seen


def both(seed: int) -> tuple[World, Alignment]:
    """A world with everything that may go wrong, and its alignment."""
    one = world(random_plan(seed), seed)
    return one, aligned(one.clocks, one.series, {})


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("source", ["log", "broker"])
def test_pieces_count_the_anchors_that_are_told(seed: int, source: str) -> None:
    _, found = both(seed)
    anchors, pieces = found.anchors[source], found.maps[source].pieces
    kept = np.bincount(anchors.piece[anchors.kept], minlength=len(pieces))
    assert kept.tolist() == [piece.anchors for piece in pieces]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("source", ["log", "broker"])
def test_a_residual_is_the_other_event_less_the_own_one_on_the_axis(seed: int, source: str) -> None:
    one, found = both(seed)
    anchors, clock = found.anchors[source], found.maps[source]
    native = {each.source: each.native_ns for each in one.clocks}[source]
    on_axis = clock.common_ns(native)[anchors.own_row]
    assert (native[anchors.own_row] == anchors.native_ns).all()
    assert (anchors.common_ns - on_axis == anchors.residual_ns).all()


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("source", ["log", "broker"])
def test_residuals_of_what_is_kept_lie_within_band_and_delay(seed: int, source: str) -> None:
    one, found = both(seed)
    anchors = found.anchors[source]
    kept = anchors.taken(anchors.kept)
    native = {each.source: each.native_ns for each in one.clocks}[source]
    band = found.maps[source].bands_ns(native)[kept.own_row]
    assert len(kept) > 100
    early = kept.residual_ns * kept.side
    assert (early <= band).all()
    assert (early >= -(band + DELAY_NS)).all()


def test_rows_lead_to_both_events_and_of_a_capture_to_none() -> None:
    one, found = both(3)
    anchors = found.anchors["broker"]
    kept = anchors.taken(anchors.kept)
    other = np.array([value.other for value in kept.shared])[kept.value]
    printed = kept.taken(other == "log")
    late = one.true_ns["broker"][printed.own_row] - one.true_ns["log"][printed.other_row]
    assert len(printed)
    assert ((late >= 0) & (late <= DELAY_NS)).all()
    assert (kept.taken(other == "wire").other_row == NO_ROW).all()
    assert (found.anchors["log"].other_row == NO_ROW).all()


def test_messages_with_wrong_numbers_are_told_as_astray() -> None:
    one = world(Plan(wrong=0.02), 4)
    anchors = aligned(one.clocks, one.series, {}).anchors["broker"]
    names = np.array([value.name for value in anchors.shared])[anchors.value]
    astray = anchors.reason == Reason.ASTRAY
    assert set(names[astray].tolist()) == {"seq"}
    assert np.abs(anchors.residual_ns[astray]).min() > SECOND // 2
    assert np.abs(anchors.residual_ns[anchors.kept]).max() < 50 * MS


def test_anchors_of_two_epochs_stand_in_two_pieces() -> None:
    one = world(Plan(reset_at=200, tick_us_first=500_000_000), 1)
    anchors = aligned(one.clocks, one.series, {}).anchors["log"]
    assert np.diff(anchors.piece).tolist().count(1) == 1
    assert anchors.own_row[anchors.piece == 1].min() == 200


def test_the_axis_and_what_was_declared_rest_on_no_anchor() -> None:
    one = world(Plan(polls=60), 2)
    found = aligned(one.clocks, one.series, {"log": (5, 0.0)})
    assert [len(found.anchors[name]) for name in ("wire", "log")] == [0, 0]
    assert not found.anchors["wire"].kept.any()


def test_an_anchor_is_known_by_its_value_the_other_source_and_its_own_time() -> None:
    one = world(Plan(polls=60), 2)
    anchors = aligned(one.clocks, one.series, {}).anchors["log"]
    identity = anchors.identity(7)
    assert identity == AnchorId(identity.name, "wire", int(anchors.native_ns[7]))
    assert identity.name in ("seq", "x")
    assert anchors.taken(np.array([7, 9])).identities() == [identity, anchors.identity(9)]


PIECE = ClockPiece("wire", "capture", 0, 10, 100, 0.0, 5, 2, 0, "equal-values", ambiguous=False)


def test_a_clock_that_was_cut_by_spans_has_its_anchors_in_their_spans() -> None:
    own = np.array([0, 10, 40, 55], np.int64)
    one = replace(
        Anchors.none("wire"),
        native_ns=own,
        common_ns=own + 107,
        residual_ns=np.full(4, 7),
        piece=np.zeros(4, np.int32),
    )
    spans = [(100, 120), (130, 150), (151, 200)]
    clock = ClockMap(tuple(replace(PIECE, from_ns=a, until_ns=b) for a, b in spans))
    assert by_span(one, clock).piece.tolist() == [0, 0, 1, 2]
