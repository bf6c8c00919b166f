"""Anchors by time, and decisions about one of them."""

from __future__ import annotations

import pytest

from console.app.anchors_shown import AnchorsShown, other_offset
from console.timeline.alignment.anchors import Anchors, Reason
from console.timeline.alignment.decisions import NOTHING_DECIDED
from tests.console.app.some_anchors import S, anchors_of, piece_of

KEPT, OUTLIER = Reason.KEPT, Reason.OUTLIER
SOME = anchors_of([KEPT, OUTLIER, KEPT, KEPT])


def shown(anchors: Anchors = SOME, *, only_left_out: bool = False) -> AnchorsShown:
    return AnchorsShown.of(anchors, None, only_left_out=only_left_out)


def test_anchors_stand_by_time_whatever_their_order_was() -> None:
    assert shown().t_ns.tolist() == [0, S, 2 * S, 3 * S]
    assert [shown().reason(k) for k in range(4)] == [KEPT, KEPT, OUTLIER, KEPT]


def test_those_left_out_can_be_shown_alone() -> None:
    assert shown(only_left_out=True).t_ns.tolist() == [2 * S]


def test_of_a_piece_only_its_own_are_shown() -> None:
    assert len(AnchorsShown.of(SOME, 1, only_left_out=False)) == 0


@pytest.mark.parametrize(("t_s", "k"), [(-5.0, 0), (0.4, 0), (0.6, 1), (99.0, 3)])
def test_the_anchor_nearest_to_a_moment_is_found(t_s: float, k: int) -> None:
    assert shown().nearest(round(t_s * S)) == k


def test_without_anchors_the_nearest_is_the_first() -> None:
    assert shown(Anchors.none("log")).nearest(5) == 0


def test_an_anchor_is_found_again_among_others() -> None:
    who = shown().identity(2)
    assert shown(only_left_out=True).place_of(who, 2 * S) == 0
    assert shown().place_of(who, 3 * S) == 2


def test_one_that_counts_is_rejected_and_one_that_does_not_is_accepted() -> None:
    kept, left_out = shown().identity(0), shown().identity(2)
    assert shown().decided(0, NOTHING_DECIDED).of("log").rejected == {kept}
    assert shown().decided(2, NOTHING_DECIDED).of("log").accepted == {left_out}


@pytest.mark.parametrize("k", [0, 2])
def test_one_that_was_decided_is_left_to_the_fit_again(k: int) -> None:
    once = shown().decided(k, NOTHING_DECIDED)
    assert shown().decided(k, once) == NOTHING_DECIDED


@pytest.mark.parametrize(
    ("rivals_ns", "expected"), [((), None), ((-5,), -5), ((-5, 3, 9), 3), ((-5, -3), -5)]
)
def test_rivals_are_gone_through_from_the_least_to_the_greatest_and_round(
    rivals_ns: tuple[int, ...], expected: int | None
) -> None:
    assert other_offset(piece_of(rivals_ns=rivals_ns)) == expected
