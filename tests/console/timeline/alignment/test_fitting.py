"""Clocks fitted to anchors of known truth."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import betaprime

from console.timeline.alignment.anchor_pairs import AFTER, BEFORE, SAME, AnchorPairs, Fit
from console.timeline.alignment.chance import beta_prime_quantile
from console.timeline.alignment.fitting import fit, pieces
from console.timeline.ticks import tick
from tests.benchmarks.alignment_cases import MS, SECOND, Case, Circumstances, case, stepped

Int64s = npt.NDArray[np.int64]
MINUTE = 60 * SECOND


def fitted(anchors: AnchorPairs, **options: float) -> Fit:
    found = fit(anchors, **options)  # type: ignore[arg-type]
    assert found is not None
    return found


def errors_ns(found: Fit, drawn: Case) -> Int64s:
    error: Int64s = np.abs(found.common_ns(drawn.probe_ns) - drawn.truth_ns)
    return error


def joined(*parts: AnchorPairs) -> AnchorPairs:
    columns = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("native_ns", "common_ns", "side", "slack_ns")
    )
    return AnchorPairs(*columns)


# Share of 100 seeded cases whose band holds the truth at nine times from begin to end; the same
# with 500 cases: python -m tests.benchmarks.alignment_fit
@pytest.mark.parametrize(
    "how",
    [
        Circumstances(),
        Circumstances(wrong=0.3),
        Circumstances(wrong=0.3, side=-1, is_epoch=True),
        Circumstances(law="gamma", wrong=0.3),
        Circumstances(tick_ms=16, delay_ms=1, periodic=True),
        Circumstances(tick_ms=16, delay_ms=1, periodic=True, span_s=400, ppm=20),
        Circumstances(tick_ms=16, delay_ms=1, periodic=True, span_s=400, ppm=20, wrong=0.3),
        Circumstances(anchors=50, wrong=0.3),
        Circumstances(anchors=8, span_s=20),
    ],
    ids=str,
)
def test_the_band_holds_the_truth(how: Circumstances) -> None:
    held = 0
    for seed in range(100):
        drawn = case(seed, how)
        found = fitted(drawn.anchors)
        held += bool((errors_ns(found, drawn) <= found.band_at(drawn.probe_ns)).all())
    assert held >= 93


@pytest.mark.parametrize(("wrong", "anywhere_ms"), [(0.0, 0.5), (0.3, 1.0)])
def test_five_hundred_anchors_of_16_ms_give_half_a_millisecond_and_a_ppm(
    wrong: float, anywhere_ms: float
) -> None:
    middle, anywhere, drift = [], [], []
    for seed in range(100):
        drawn = case(seed, Circumstances(wrong=wrong))
        found = fitted(drawn.anchors)
        error = errors_ns(found, drawn)
        middle.append(error[4] / MS)
        anywhere.append(error.max() / MS)
        drift.append(abs(found.drift - drawn.drift) * 1e6)
    assert np.quantile(middle, 0.97) < 0.5
    assert np.quantile(anywhere, 0.97) < anywhere_ms
    assert np.quantile(drift, 0.97) < 1.0


def test_wrong_anchors_are_left_out_and_right_ones_kept() -> None:
    drawn = case(1, Circumstances(wrong=0.3))
    found = fitted(drawn.anchors)
    assert found.kept[drawn.wrong].mean() < 0.05  # some are late by no more than others
    assert found.kept[~drawn.wrong].mean() > 0.97
    assert found.anchors == found.kept.sum()


def test_a_third_of_the_anchors_on_one_wrong_offset_move_nothing() -> None:
    drawn = case(2, Circumstances())
    wrong = np.random.default_rng(1).random(500) < 0.3
    shifted = drawn.anchors.common_ns + np.where(wrong, 4 * SECOND, 0)
    found = fitted(AnchorPairs.of(drawn.anchors.native_ns, shifted, AFTER))
    assert errors_ns(found, drawn).max() < MS
    assert found.kept.tolist() == (~wrong).tolist()


def test_the_order_of_the_anchors_does_not_matter() -> None:
    drawn = case(3, Circumstances(wrong=0.3))
    shuffle = np.random.default_rng(1).permutation(500)
    one, other = fitted(drawn.anchors), fitted(drawn.anchors.taken(shuffle))
    assert (one.offset_ns, one.drift, one.band_ns) == (other.offset_ns, other.drift, other.band_ns)
    assert one.kept[shuffle].tolist() == other.kept.tolist()


@settings(max_examples=30, deadline=None)
@given(
    st.integers(-(2**61), 2**61),
    st.integers(-(2**61), 2**61),
    st.integers(-4_000, 4_000),
    st.integers(2, 30),
)
def test_exact_anchors_are_met_to_the_ns_at_any_time(
    native: int, common: int, ppm: int, n: int
) -> None:
    away = np.arange(n) * MINUTE
    anchors = AnchorPairs.of(native + away, common + away + away // 1_000_000 * ppm, SAME)
    found = fitted(anchors)
    # drift times a native time of years is a float64 of up to 1e16 ns: 2 ns
    off = np.abs(found.residual_ns(anchors.native_ns, anchors.common_ns))
    assert off.max() <= 4
    assert found.drift == pytest.approx(ppm * 1e-6, abs=1e-9)


def test_bounds_from_both_sides_are_met_in_the_middle() -> None:
    rng = np.random.default_rng(1)
    times = [np.sort(rng.integers(0, 35 * MINUTE, 300)) for _ in range(2)]
    late = rng.integers(5 * MS, 16 * MS, 300)  # at least 5 ms either way, which one side hides
    after = AnchorPairs.of(times[0] + late, times[0], AFTER)
    before = AnchorPairs.of(times[1] - late, times[1], BEFORE)
    found = fitted(joined(after, before))
    alone = fitted(after)
    middle = np.array([17 * MINUTE])
    assert abs(found.common_ns(middle)[0] - middle[0]) < MS
    assert found.band_at(middle)[0] > 4 * MS
    assert abs(alone.common_ns(middle)[0] - middle[0]) > 4 * MS
    known = fitted(after, least_delay_ns=5 * MS)
    assert abs(known.common_ns(middle)[0] - middle[0]) < MS


def test_a_few_loose_bounds_do_not_spoil_a_tight_side() -> None:
    drawn = case(4, Circumstances())
    at = drawn.anchors.native_ns[[50, 200, 400]]
    loose = AnchorPairs.of(at, drawn.anchors.common_ns[[50, 200, 400]] + 400 * MS, BEFORE)
    found = fitted(joined(drawn.anchors, loose))
    assert errors_ns(found, drawn).max() < MS
    assert found.kept.all()


def test_a_bound_that_contradicts_the_crowd_is_wrong() -> None:
    drawn = case(5, Circumstances())
    at = drawn.anchors.native_ns[[250]]
    wrong = AnchorPairs.of(at, drawn.anchors.common_ns[[250]] - 100 * MS, BEFORE)
    found = fitted(joined(drawn.anchors, wrong))
    assert errors_ns(found, drawn).max() < MS
    assert found.kept.tolist() == [True] * 500 + [False]


@pytest.mark.parametrize("shift_ns", [-8_000, 0, 8_000])
def test_one_moment_seen_twice_is_known_to_its_slack(shift_ns: int) -> None:
    # a UART line in the capture and the same text in the log: one bit at 115200 baud
    times = np.sort(np.random.default_rng(6).integers(0, 35 * MINUTE, 100))
    native = np.rint(times * (1 + 80e-6)).astype(np.int64) + shift_ns
    found = fitted(AnchorPairs.of(native, times, SAME, 8_680))
    error = np.abs(found.common_ns(native - shift_ns) - times)
    assert error.max() <= 8_680
    assert (error <= found.band_at(native)).all()


def test_slack_that_was_understated_widens_the_band() -> None:
    rng = np.random.default_rng(7)
    times = np.sort(rng.integers(0, 35 * MINUTE, 200))
    native = times + np.rint(rng.normal(0, 100_000, 200)).astype(np.int64)
    found = fitted(AnchorPairs.of(native, times, SAME, 1_000))
    error = np.abs(found.common_ns(times) - times)
    assert (error <= found.band_at(times)).all()
    assert 5_000 < found.band_ns < 100_000


def test_slack_common_to_one_sided_anchors_is_in_the_band() -> None:
    for seed in range(20):
        drawn = case(seed, Circumstances())
        band = int(np.random.default_rng(seed).integers(-2 * MS, 2 * MS))
        anchors = AnchorPairs.of(
            drawn.anchors.native_ns, drawn.anchors.common_ns + band, AFTER, 2 * MS
        )
        found = fitted(anchors)
        assert (errors_ns(found, drawn) <= found.band_at(drawn.probe_ns)).all()


def test_a_short_row_claims_no_drift_and_its_band_grows_away_from_it() -> None:
    drawn = case(8, Circumstances(anchors=12, span_s=2, ppm=50))
    found = fitted(drawn.anchors)
    hour = drawn.probe_ns[4] + 60 * MINUTE
    assert found.band_ppm >= 250
    assert abs(found.drift) < 250e-6
    assert found.band_at(np.array([hour]))[0] >= 3600 * SECOND * 250e-6


def test_one_anchor_of_one_moment_is_enough_for_a_crystal() -> None:
    found = fitted(AnchorPairs.of(np.array([5 * SECOND]), np.array([7 * SECOND]), SAME, 1_000))
    assert found.common_ns(np.array([6 * SECOND])).tolist() == [8 * SECOND]
    assert found.band_at(np.array([6 * SECOND]))[0] == pytest.approx(251_000, abs=10)


@pytest.mark.parametrize("side", [AFTER, BEFORE])
@pytest.mark.parametrize("n", [0, 1, 2])
def test_two_anchors_of_one_side_say_nothing(n: int, side: int) -> None:
    times = np.arange(n, dtype=np.int64) * SECOND
    assert fit(AnchorPairs.of(times, times, side)) is None


@pytest.mark.parametrize("step", [SECOND, 10 * MS])
def test_pairs_of_chance_are_no_clock(step: int) -> None:
    times = np.arange(400, dtype=np.int64) * step
    pairs = AnchorPairs.of(times, np.random.default_rng(9).permutation(times), AFTER)
    assert fit(pairs) is None


def test_no_clock_runs_a_tenth_too_fast() -> None:
    times = np.arange(400, dtype=np.int64) * SECOND
    assert fit(AnchorPairs.of(times, times + times // 10, AFTER)) is None
    assert fitted(AnchorPairs.of(times, times + times // 10, AFTER), drift_limit=0.2).drift > 0.099


@pytest.mark.parametrize("wrong", [0.0, 0.3])
def test_each_stretch_of_a_clock_that_was_set_gets_its_own_fit(wrong: float) -> None:
    drawn = stepped(3, 600, 2, wrong)
    anchors = AnchorPairs.of(drawn.native_ns, drawn.common_ns, AFTER)
    shuffle = np.random.default_rng(1).permutation(600)
    found = pieces(anchors.taken(shuffle))
    assert len(found) == 3
    stretches = np.split(np.arange(600), drawn.cuts)
    for (part, own), stretch in zip(found, stretches, strict=True):
        places = shuffle[part]
        assert (np.diff(drawn.common_ns[places]) >= 0).all()
        assert len(np.setxor1d(places, stretch)) <= 6
        right = np.intersect1d(places, stretch)[~drawn.wrong[np.intersect1d(places, stretch)]]
        late = own.common_ns(drawn.native_ns[right]) - drawn.common_ns[right]
        band = own.band_at(drawn.native_ns[right])
        assert ((late >= -band) & (late <= 16 * MS + band)).all()
        assert own.band_ns < 12 * MS


def test_nothing_gives_no_pieces() -> None:
    none = np.zeros(0, np.int64)
    assert pieces(AnchorPairs.of(none, none, AFTER)) == []


@pytest.mark.parametrize("m", [1, 2, 6, 50, 10_000])
@pytest.mark.parametrize("doubt", [0.01, 0.2])
def test_chance_ends_where_the_beta_prime_law_says(m: int, doubt: float) -> None:
    assert beta_prime_quantile(m, doubt) == pytest.approx(betaprime.isf(doubt, 2, m), rel=1e-6)


@pytest.mark.parametrize(
    ("stamps", "expected"),
    [
        ([0, 16 * MS, 48 * MS, 160 * MS], (16 * MS, True)),
        ([5, 5 + 800 * MS, 5 + 1600 * MS], (20 * MS, False)),  # how coarse does not show
        ([0, 16 * MS, 48 * MS + 1], (0, False)),
        ([0, 16 * MS], (0, False)),
    ],
)
def test_coarse_stamps_show_their_tick(stamps: list[int], expected: tuple[int, bool]) -> None:
    assert tick(np.array(stamps, dtype=np.float64)) == expected


@pytest.mark.parametrize("wrong", [0.0, 0.3])
def test_a_clock_whose_pace_wanders_gets_a_band_that_says_so(wrong: float) -> None:
    rng = np.random.default_rng(10)
    n, day = 2000, 24 * 60 * MINUTE
    times = np.sort(rng.integers(0, day, n))
    strayed = 5 * MS * np.sin(2 * np.pi * times / day)  # 0.4 ppm with the warmth of the day
    native = np.rint(times + rng.uniform(0, 16 * MS, n) + strayed).astype(np.int64)
    off = np.where(rng.random(n) < wrong, rng.integers(-SECOND // 2, SECOND // 2, n), 0)
    found = fitted(AnchorPairs.of(native, times + off, AFTER))
    error = np.abs(found.common_ns(np.rint(times + strayed).astype(np.int64)) - times)
    assert (error <= found.band_at(native)).mean() > 0.95
    assert found.band_ns < 20 * MS


def test_anchors_that_are_all_corners_of_their_hull_are_fitted_too() -> None:
    times = np.arange(20_000, dtype=np.int64) * SECOND
    slowing = (times // MS) ** 2 // 20_000_000  # exact, of a clock that slows down evenly
    found = fitted(AnchorPairs.of(times + slowing, times, AFTER))
    error = np.abs(found.common_ns(times + slowing) - times)
    assert (error <= found.band_at(times + slowing)).mean() > 0.9


@pytest.mark.parametrize("seed", range(3))
def test_many_anchors_with_many_wrong_are_known_to_microseconds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 100_000
    times = np.sort(rng.integers(0, 35 * MINUTE, n))
    off = np.where(rng.random(n) < 0.3, rng.integers(-SECOND // 2, SECOND // 2, n), 0)
    found = fitted(AnchorPairs.of(times + rng.integers(0, 16 * MS, n), times + off, AFTER))
    error = np.abs(found.common_ns(times) - times)
    assert (error <= found.band_at(times)).all()
    assert found.band_at(times).max() < 100_000


ODD_ANCHORS = st.lists(
    st.tuples(
        st.integers(-50, 50),  # native
        st.integers(-3, 3),  # off
        st.sampled_from([AFTER, BEFORE, SAME]),
        st.sampled_from([0, 1, MS]),
    ),
    max_size=60,
)


@settings(max_examples=100, deadline=None)
@given(ODD_ANCHORS, st.sampled_from([1, 1000, MS, 16 * MS, SECOND]), st.integers(-(10**18), 10**18))
def test_any_anchors_give_a_fit_or_none(
    rows: list[tuple[int, int, int, int]], unit: int, offset: int
) -> None:
    native, off, side, slack = np.array(rows, dtype=np.int64).reshape(-1, 4).T
    common = native * unit + off * unit + offset
    anchors = AnchorPairs(native * unit, common, side.astype(np.int8), slack)
    for part, found in [*pieces(anchors), (np.arange(len(rows)), fit(anchors))]:
        assert found is None or (found.kept.any() and len(found.kept) == len(part))
        assert found is None or (found.band_ns > 0 and abs(found.drift) <= 0.05)
