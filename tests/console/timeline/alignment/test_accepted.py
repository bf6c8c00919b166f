"""Anchors that the user wants kept, fitted with the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from console.timeline.alignment.anchor_pairs import AFTER, BEFORE, AnchorPairs, Fit
from console.timeline.alignment.fitting import fit

MS = 1_000_000
SECOND = 1_000_000_000
N = 400
TIMES = np.arange(N) * SECOND


def pairs(early_ns: int, at: int = 200) -> AnchorPairs:
    """Anchors of 0 to 4 ms delay, of which one comes `early_ns` before what it follows."""
    late = np.random.default_rng(5).integers(0, 4 * MS, N)
    late[at] = -early_ns
    return AnchorPairs.of(TIMES + late, TIMES, AFTER)


def fitted(anchors: AnchorPairs, accepted: list[int]) -> Fit:
    mask = np.zeros(len(anchors), np.bool_)
    mask[accepted] = True
    found = fit(replace(anchors, accepted=mask))
    assert found is not None
    return found


def test_an_early_anchor_is_left_out_until_it_is_accepted() -> None:
    anchors = pairs(20 * MS)
    alone = fit(anchors)
    assert alone is not None
    assert not alone.kept[200]
    found = fitted(anchors, [200])
    assert found.kept[200]


def test_an_accepted_anchor_bounds_the_line_within_the_band() -> None:
    anchors = pairs(20 * MS)
    found = fitted(anchors, [200])
    residual = found.residual_ns(anchors.native_ns[200:201], anchors.common_ns[200:201])
    assert residual[0] <= 1
    assert (found.common_ns(TIMES) - TIMES >= 10 * MS).all()


def test_what_is_kept_anyway_changes_nothing_when_accepted() -> None:
    anchors = pairs(0)
    plain, found = fit(anchors), fitted(anchors, list(range(0, N, 7)))
    assert plain is not None
    assert (found.offset_ns, found.drift, found.band_ns) == (
        plain.offset_ns,
        plain.drift,
        plain.band_ns,
    )


def test_an_anchor_far_from_all_others_is_not_kept_though_accepted() -> None:
    anchors = pairs(2 * SECOND)
    plain, found = fit(anchors), fitted(anchors, [200])
    assert plain is not None
    assert not found.kept[200]
    assert found.offset_ns == plain.offset_ns


def test_an_anchor_that_the_other_side_rules_out_is_not_kept_though_accepted() -> None:
    after = pairs(20 * MS)
    back = np.random.default_rng(6).integers(0, 4 * MS, N)
    anchors = AnchorPairs(
        np.concatenate([after.native_ns, TIMES - back]),
        np.concatenate([after.common_ns, TIMES]),
        np.repeat(np.array([AFTER, BEFORE], np.int8), N),
        np.zeros(2 * N, np.int64),
    )
    found = fitted(anchors, [200])
    assert not found.kept[200]
    assert found.kept.sum() >= 2 * N - 40


def test_anchors_possible_one_by_one_and_not_together_leave_the_crowd_as_it_is() -> None:
    late = np.random.default_rng(7).integers(8 * MS, 12 * MS, N)
    back = np.random.default_rng(8).integers(8 * MS, 12 * MS, N)
    late[200], back[200] = -6 * MS, -6 * MS  # one has the line above 6 ms, the other below -6 ms
    anchors = AnchorPairs(
        np.concatenate([TIMES + late, TIMES - back]),
        np.concatenate([TIMES, TIMES]),
        np.repeat(np.array([AFTER, BEFORE], np.int8), N),
        np.zeros(2 * N, np.int64),
    )
    plain, found = fit(anchors), fitted(anchors, [200, N + 200])
    assert plain is not None
    assert (found.kept == plain.kept).all()
