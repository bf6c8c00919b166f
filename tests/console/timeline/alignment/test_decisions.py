"""What a user decides about anchors and offsets, and what the alignment makes of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.timeline.alignment.align import Alignment, aligned
from console.timeline.alignment.anchors import AnchorId, Anchors, Reason
from console.timeline.alignment.decisions import NOTHING_DECIDED, Decisions
from console.timeline.alignment.series import Series, same_series, value_series
from console.timeline.alignment.ties import SourceClock
from console.timeline.clocks import ClockPiece
from tests.console.timeline.worlds import MS, SECOND, random_plan, world

Int64s = npt.NDArray[np.int64]

N = 300
WIRE = np.arange(N) * SECOND
COUNT = np.arange(N)


def clock(source: str, rank: int, times: Int64s) -> SourceClock:
    return SourceClock(source, "x", rank, times, times * 0, is_wall=False)


def counter(source: str, name: str, times: Int64s, values: Int64s) -> list[Series]:
    return value_series(source, name, times, np.arange(len(times)), values.astype(np.float64))


def off_by_3_s(decisions: Decisions = NOTHING_DECIDED) -> tuple[Alignment, Int64s]:
    """A log of whose lines three in five name what happened 3 s later: a crowd, and a wrong one."""
    rng = np.random.default_rng(12)
    wrong = COUNT % 5 % 2 == 0
    late = rng.integers(0, 4 * MS, N)
    printed = np.sort(WIRE + late - np.where(wrong, 3 * SECOND + MS, 0))
    order = np.argsort(WIRE + late - np.where(wrong, 3 * SECOND + MS, 0))
    found = aligned(
        [clock("wire", 0, WIRE), clock("log", 1, printed)],
        [
            same_series("wire", "line", WIRE, COUNT, COUNT, "line"),
            same_series("log", "line", printed, COUNT, order, "line"),
        ],
        {},
        decisions=decisions,
    )
    return found, printed


def rivals(decisions: Decisions = NOTHING_DECIDED, drift_ppm: float = 0.0) -> Alignment:
    """A log, stamped since 1970, whose one counter fits two of the wire at offsets 17 s apart."""
    printed = 1_795_597_920 * SECOND + WIRE + np.rint(WIRE * drift_ppm * 1e-6).astype(np.int64)
    return aligned(
        [clock("wire", 0, WIRE), clock("log", 1, printed + 2 * MS)],
        [
            *counter("wire", "one", WIRE, COUNT),
            *counter("wire", "other", WIRE, COUNT + 17),
            *counter("log", "count", printed + 2 * MS, COUNT),
        ],
        {},
        decisions=decisions,
    )


def first(found: Alignment) -> ClockPiece:
    return found.maps["log"].pieces[0]


def gap_ns(found: Alignment, native_ns: int) -> int:
    """How far the log's clock is before the axis at one of its times."""
    at = np.array([native_ns], np.int64)
    return int(found.maps["log"].common_ns(at)[0]) - native_ns


def rejected_now(anchors: Anchors, mask: npt.NDArray[np.bool_]) -> Decisions:
    return NOTHING_DECIDED.rejecting("log", anchors.taken(mask).identities())


def test_rejecting_the_wrong_crowd_by_hand_moves_the_clock_to_the_truth() -> None:
    found, _ = off_by_3_s()
    anchors = found.anchors["log"]
    again, printed = off_by_3_s(rejected_now(anchors, anchors.kept))
    assert gap_ns(found, SECOND) > 2 * SECOND
    assert abs(gap_ns(again, SECOND)) < 5 * MS
    kept = again.anchors["log"].taken(again.anchors["log"].kept)
    assert len(kept) == N - int(anchors.kept.sum())
    assert (np.abs(kept.residual_ns) <= 4 * MS + (first(again).band_ns or 0)).all()
    assert set(kept.native_ns.tolist()) <= set(printed.tolist())


def test_what_was_rejected_by_hand_stays_in_sight_and_out_of_use() -> None:
    anchors = off_by_3_s()[0].anchors["log"]
    gone = set(anchors.taken(anchors.kept).identities())
    told = off_by_3_s(rejected_now(anchors, anchors.kept))[0].anchors["log"]
    by_hand = told.taken(told.reason == Reason.REJECTED)
    assert set(by_hand.identities()) == gone
    assert len(by_hand) == len(gone)
    assert not gone & set(told.taken(told.kept).identities())


def test_rejecting_all_leaves_a_clock_that_nothing_ties_and_all_in_sight() -> None:
    anchors = off_by_3_s()[0].anchors["log"]
    found, _ = off_by_3_s(rejected_now(anchors, np.ones(len(anchors), np.bool_)))
    assert first(found).method == "none"
    assert (found.anchors["log"].reason == Reason.REJECTED).all()
    assert len(found.anchors["log"]) == N


def test_leaving_what_was_decided_to_the_fit_undoes_it() -> None:
    found, _ = off_by_3_s()
    anchors = found.anchors["log"]
    some = anchors.taken(anchors.kept).identities()
    decided = NOTHING_DECIDED.rejecting("log", some).leaving("log", some)
    assert decided == NOTHING_DECIDED
    assert off_by_3_s(decided)[0].maps["log"].pieces == found.maps["log"].pieces


def test_an_anchor_is_rejected_or_accepted_and_not_both() -> None:
    one, two = AnchorId("n", "wire", 1), AnchorId("n", "wire", 2)
    own = NOTHING_DECIDED.accepting("log", [one, two]).rejecting("log", [two]).of("log")
    assert (own.accepted, own.rejected) == (frozenset([one]), frozenset([two]))
    back = NOTHING_DECIDED.rejecting("log", [one]).accepting("log", [one]).of("log")
    assert (back.accepted, back.rejected) == (frozenset([one]), frozenset())


def test_choosing_the_rival_moves_the_clock_there_and_ends_the_doubt() -> None:
    found = rivals()
    piece = first(found)
    (rival,) = piece.rivals_ns
    chosen = rivals(NOTHING_DECIDED.choosing(piece, rival))
    now = first(chosen)
    assert piece.ambiguous
    assert abs(abs(now.offset_ns - piece.offset_ns) - 17 * SECOND) < 5 * MS
    assert abs(now.offset_ns - rival) < 5 * MS
    assert not now.ambiguous
    assert now.method == "chosen"


@pytest.mark.parametrize("drift_ppm", [0.0, 40.0, -170.0])
def test_the_former_offset_is_a_rival_then_and_can_be_chosen_back(drift_ppm: float) -> None:
    found = rivals(drift_ppm=drift_ppm)
    decided = NOTHING_DECIDED.choosing(first(found), first(found).rivals_ns[0])
    there = rivals(decided, drift_ppm)
    at = first(found).centre_ns
    back = rivals(decided.choosing(first(there), first(there).rivals_ns[0]), drift_ppm)
    assert abs(abs(gap_ns(there, at) - gap_ns(found, at)) - 17 * SECOND) < 50 * MS
    assert abs(gap_ns(back, at) - gap_ns(found, at)) < MS
    assert not first(back).ambiguous


def test_choosing_none_leaves_the_offset_to_the_fit_again() -> None:
    piece = first(rivals())
    decided = NOTHING_DECIDED.choosing(piece, piece.rivals_ns[0])
    assert decided.choosing_none("log") == NOTHING_DECIDED


def test_a_chosen_offset_holds_when_anchors_are_rejected_besides() -> None:
    piece = first(rivals())
    decided = NOTHING_DECIDED.choosing(piece, piece.rivals_ns[0])
    anchors = rivals(decided).anchors["log"]
    fewer = rivals(decided.rejecting("log", anchors.taken(np.arange(0, 200, 3)).identities()))
    at = piece.centre_ns
    assert first(fewer).method == "chosen"
    assert abs(gap_ns(fewer, at) - gap_ns(rivals(decided), at)) < 5 * MS


def test_each_offset_of_a_short_counter_can_be_chosen() -> None:
    def short(decisions: Decisions) -> ClockPiece:
        series = [
            *counter("wire", "n", WIRE, COUNT % 16),
            *counter("log", "n", WIRE + 2 * MS, COUNT % 16),
        ]
        clocks = [clock("wire", 0, WIRE), clock("log", 1, WIRE + 2 * MS)]
        return first(aligned(clocks, series, {}, decisions=decisions))

    piece = short(NOTHING_DECIDED)
    got = [short(NOTHING_DECIDED.choosing(piece, rival)).offset_ns for rival in piece.rivals_ns]
    assert len(got) >= 2
    assert np.abs(np.array(got) - np.array(piece.rivals_ns)).max() < 50 * MS


def test_an_offset_that_was_not_offered_is_not_taken() -> None:
    with pytest.raises(ValueError, match="5"):
        NOTHING_DECIDED.choosing(first(rivals()), 5)


QUIET = np.array([[150, 160], [200, 203], [240, 245]]) * SECOND


def restarted(decisions: Decisions) -> ClockPiece:
    """The second piece of a log whose lines after a restart share nothing with the wire."""
    native = np.concatenate([WIRE[:100] + 2 * MS, np.arange(20) * SECOND // 10])
    log = replace(clock("log", 1, native), epoch=np.repeat([0, 1], [100, 20]))
    found = aligned(
        [replace(clock("wire", 0, WIRE), quiet_ns=QUIET), log],
        [*counter("wire", "n", WIRE, COUNT), *counter("log", "n", native[:100], COUNT[:100])],
        {},
        decisions=decisions,
    )
    return found.maps["log"].pieces[1]


def test_the_silence_in_which_a_board_started_anew_can_be_chosen() -> None:
    piece = restarted(NOTHING_DECIDED)
    now = [restarted(NOTHING_DECIDED.choosing(piece, rival)) for rival in piece.rivals_ns]
    assert piece.ambiguous
    assert [one.from_ns for one in now] == [201_500_000_000, 242_500_000_000]
    assert [(one.method, one.ambiguous) for one in now] == [("chosen", False)] * 2
    assert [piece.offset_ns in one.rivals_ns for one in now] == [True, True]


EARLY = 150


def one_early(decisions: Decisions, by_ns: int) -> Anchors:
    """Anchors of a log of which one line comes before what it tells of."""
    late = np.random.default_rng(3).integers(0, 4 * MS, N)
    late[EARLY] = -by_ns
    printed = WIRE + late
    series = [
        same_series("wire", "line", WIRE, COUNT, COUNT, "line"),
        same_series("log", "line", printed, COUNT, COUNT, "line"),
    ]
    clocks = [clock("wire", 0, WIRE), clock("log", 1, printed)]
    return aligned(clocks, series, {}, decisions=decisions).anchors["log"]


@pytest.mark.parametrize(
    ("by_ns", "alone", "accepted"),
    [
        (20 * MS, Reason.OUTLIER, Reason.ACCEPTED),
        (700 * MS, Reason.ASTRAY, Reason.IMPOSSIBLE),
        (-2 * MS, Reason.KEPT, Reason.ACCEPTED),
    ],
)
def test_what_is_accepted_is_kept_or_told_to_be_impossible(
    by_ns: int, alone: Reason, accepted: Reason
) -> None:
    plain = one_early(NOTHING_DECIDED, by_ns)
    decided = NOTHING_DECIDED.accepting("log", [plain.identity(EARLY)])
    assert plain.reason[EARLY] == alone
    assert one_early(decided, by_ns).reason[EARLY] == accepted


def test_what_was_accepted_of_another_offset_is_told_to_be_impossible_there() -> None:
    found = rivals()
    anchors = found.anchors["log"]
    only_here = anchors.taken(np.arange(3))  # the first 17 counts of one are not in the other
    decided = NOTHING_DECIDED.accepting("log", only_here.identities())
    chosen = rivals(decided.choosing(first(found), first(found).rivals_ns[0])).anchors["log"]
    same = np.isin(chosen.native_ns, only_here.native_ns)
    assert len(only_here)
    assert set(chosen.reason[same].tolist()) <= {Reason.IMPOSSIBLE, Reason.ACCEPTED}
    assert same.sum() == 3


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 5),
    draws=st.integers(0, 2**32),
    rejected=st.floats(0, 1),
    accepted=st.floats(0, 1),
)
def test_whatever_is_decided_is_kept_to_and_never_breaks_the_alignment(
    seed: int, draws: int, rejected: float, accepted: float
) -> None:
    one = world(random_plan(seed), seed)
    plain = aligned(one.clocks, one.series, {}).anchors["broker"]
    rng = np.random.default_rng(draws)
    out = set(plain.taken(rng.random(len(plain)) < rejected).identities())
    into = set(plain.taken(rng.random(len(plain)) < accepted).identities()) - out
    decided = NOTHING_DECIDED.rejecting("broker", out).accepting("broker", into)
    told = aligned(one.clocks, one.series, {}, decisions=decided).anchors["broker"]
    reasons = dict(zip(told.identities(), told.reason.tolist(), strict=True))
    assert {reasons[each] for each in out} <= {Reason.REJECTED}
    assert {reasons[each] for each in into} <= {Reason.ACCEPTED, Reason.IMPOSSIBLE}
