"""Sources with clocks of their own, tied by the values they share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from console.timeline.alignment.align import aligned
from console.timeline.alignment.series import Series, print_series, value_series
from console.timeline.alignment.ties import SourceClock
from console.timeline.clocks import ClockMap
from tests.console.timeline.judging import judged
from tests.console.timeline.worlds import MS, SECOND, Plan, random_plan, world

Int64s = npt.NDArray[np.int64]

WORLDS = 40  # the 500 of the benchmark take a minute


@pytest.mark.parametrize("seed", range(0, WORLDS, 10))
def test_times_lie_within_their_bands_whatever_goes_wrong(seed: int) -> None:
    found = [
        j for s in range(seed, seed + 10) for j in judged(world(random_plan(s), s), s).values()
    ]
    assert np.mean([j.aligned == 1 for j in found]) >= 0.95
    assert np.mean([j.worst_beyond_ns <= 0 for j in found]) >= 0.95
    assert np.mean([j.wrong_order for j in found]) < 0.01


@pytest.mark.parametrize("seed", range(8))
def test_500_prints_of_16_ms_latency_fix_offset_and_drift(seed: int) -> None:
    ppm = float(np.random.default_rng(seed).uniform(-200, 200))
    plan = Plan(polls=500, period_ns=4 * SECOND, print_delay_ns=16 * MS, board_ppm=ppm)
    one = world(plan, seed)
    piece = aligned(one.clocks, one.series, {}).maps["log"].pieces[0]
    middle = one.clocks[1].native_ns[250]
    error = middle + piece.offset_ns + piece.drift_ppm * 1e-6 * middle - one.true_ns["log"][250]
    assert abs(error) < 0.5 * MS
    assert abs((1 + piece.drift_ppm * 1e-6) * (1 + ppm * 1e-6) - 1) < 1e-6


def test_a_reset_begins_a_piece_of_its_own() -> None:
    one = world(Plan(reset_at=200, tick_us_first=500_000_000), 1)
    pieces = aligned(one.clocks, one.series, {}).maps["log"].pieces
    assert [piece.method for piece in pieces] == ["equal-values"] * 2
    assert pieces[0].until_ns < pieces[1].from_ns


@pytest.mark.parametrize("step_s", [-3600, -2, 45])
def test_a_recorder_whose_clock_is_set_has_two_pieces(step_s: int) -> None:
    one = world(Plan(step_at=200, step_ns=step_s * SECOND), 2)
    clock = aligned(one.clocks, one.series, {}).maps["broker"]
    native = one.clocks[2].native_ns
    error = np.abs(clock.common_ns(native) - one.true_ns["broker"])
    first, second = (ClockMap((piece,)).common_ns(native[200:201])[0] for piece in clock.pieces)
    assert abs(int(first - second) - step_s * SECOND) < 100 * MS
    assert (error <= clock.bands_ns(native)).all()


def test_a_tick_that_rolls_over_is_one_piece() -> None:
    one = world(Plan(tick_us_first=2**32 - 100_000_000), 3)
    assert len(aligned(one.clocks, one.series, {}).maps["log"].pieces) == 1


def clock(source: str, rank: int, times: Int64s, *, is_wall: bool = False) -> SourceClock:
    return SourceClock(source, "x", rank, times, times * 0, is_wall)


def series(source: str, name: str, times: Int64s, values: Int64s) -> list[Series]:
    return value_series(source, name, times, np.arange(len(times)), values.astype(np.float64))


POLLS = 300
WIRE = np.arange(POLLS) * SECOND
COUNT = np.arange(POLLS)


def test_two_counters_of_equal_pace_are_called_ambiguous_with_the_other_offset() -> None:
    printed = WIRE + 2 * MS
    maps = aligned(
        [clock("wire", 0, WIRE), clock("log", 1, printed)],
        [
            *series("wire", "one", WIRE, COUNT),
            *series("wire", "other", WIRE, COUNT + 17),
            *series("log", "count", printed, COUNT),
        ],
        {},
    ).maps
    piece = maps["log"].pieces[0]
    assert piece.ambiguous
    assert [abs(abs(r - piece.offset_ns) - 17 * SECOND) < SECOND for r in piece.rivals_ns] == [True]


def test_content_breaks_the_tie_between_counters() -> None:
    printed = WIRE + 2 * MS
    reading = np.random.default_rng(6).integers(0, 300, POLLS)
    maps = aligned(
        [clock("wire", 0, WIRE), clock("log", 1, printed)],
        [
            *series("wire", "one", WIRE, COUNT),
            *series("wire", "other", WIRE, COUNT + 17),
            *series("wire", "x", WIRE, reading),
            *series("log", "count", printed, COUNT),
            *series("log", "x", printed, reading),
        ],
        {},
    ).maps
    piece = maps["log"].pieces[0]
    assert not piece.ambiguous
    assert abs(piece.offset_ns) < 5 * MS


def test_a_counter_of_four_bits_alone_is_ambiguous_by_its_period() -> None:
    printed = WIRE + 2 * MS
    maps = aligned(
        [clock("wire", 0, WIRE), clock("log", 1, printed)],
        [*series("wire", "n", WIRE, COUNT % 16), *series("log", "n", printed, COUNT % 16)],
        {},
    ).maps
    piece = maps["log"].pieces[0]
    away = {round(abs(rival - piece.offset_ns) / SECOND) for rival in piece.rivals_ns}
    assert piece.ambiguous
    assert 16 in away


def test_sources_without_common_values_are_not_aligned() -> None:
    shuffled = np.random.default_rng(4).permutation(POLLS)
    maps = aligned(
        [clock("wire", 0, WIRE), clock("log", 1, WIRE + 5)],
        [*series("wire", "n", WIRE, COUNT), *series("log", "n", WIRE, shuffled)],
        {},
    ).maps
    assert [piece.method for piece in maps["log"].pieces] == ["none"]
    assert maps["log"].band_ns is None


def test_a_declared_offset_and_drift_are_taken_as_they_stand() -> None:
    maps = aligned([clock("wire", 0, WIRE)], [], {"wire": (12_500_000_000, 1.0)}).maps
    got = maps["wire"].common_ns(np.array([1_000_000_000], np.int64))
    assert got.tolist() == [13_500_001_000]


def test_an_offset_of_one_source_is_against_the_axis_of_the_others() -> None:
    clocks = [clock("wire", 0, WIRE), clock("log", 1, WIRE), clock("broker", 2, WIRE)]
    maps = aligned(clocks, [], {"broker": (-3 * SECOND, 0.0)}).maps
    assert [maps[c.source].pieces[0].method for c in clocks] == ["axis", "none", "declared"]
    assert maps["broker"].pieces[0].offset_ns == -3 * SECOND
    assert aligned(clocks, [], {"broker": (5, 0.0)}, "log").maps["log"].pieces[0].method == "axis"


def test_date_stamps_share_one_axis_with_a_wide_band() -> None:
    epoch = 1_764_000_000 * SECOND + WIRE
    maps = aligned(
        [clock("log", 1, epoch, is_wall=True), clock("broker", 2, epoch, is_wall=True)], [], {}
    ).maps
    assert maps["broker"].pieces[0].method == "wall-clock"
    assert maps["broker"].pieces[0].offset_ns == 0
    assert maps["broker"].band_ns == SECOND


def test_a_command_that_is_printed_after_its_message_bounds_from_the_other_side() -> None:
    one = world(replace(random_plan(0), reset_at=None, step_at=None, wrong=0.0), 5)
    one_sided = aligned(one.clocks, one.series, {}).maps["broker"]
    rng = np.random.default_rng(8)
    printed = one.true_ns["log"]
    native = one.clocks[2].native_ns
    # Commands: on the broker's clock 20 ms and a little before the board prints them.
    back = aligned(one.clocks, one.series, {}).maps["broker"].pieces[0]
    rate = 1 + back.drift_ppm * 1e-6
    asked = printed - 20 * MS - rng.integers(0, 4 * MS, len(printed))
    asked_native = np.rint((asked - back.offset_ns) / rate).astype(np.int64)
    number = np.arange(len(printed)) * 7 + 5_000
    both = aligned(
        one.clocks,
        [
            *one.series,
            *value_series("broker", "command", asked_native, np.arange(len(asked)) % len(native),
                          number.astype(np.float64)),
            *value_series("log", "command", one.clocks[1].native_ns, np.arange(len(printed)),
                          number.astype(np.float64)),
        ],
        {},
    ).maps["broker"]  # fmt: skip
    error = np.abs(both.common_ns(native) - one.true_ns["broker"])
    assert (error <= both.bands_ns(native)).all()
    assert both.pieces[0].anchors > one_sided.pieces[0].anchors


def test_numbers_in_prints_are_found_by_the_sentence_around_them() -> None:
    texts = pl.Series([f"cam: poll {k} blocks {k % 3} us {1800 + 7 * k % 50}" for k in range(9)])
    found = print_series("log", np.arange(9), np.arange(9), texts)
    assert [(s.name, s.kind, len(s.keys)) for s in found] == [
        ("poll", "counter", 9),
        ("blocks", "readings", 7),
        ("us", "counter", 9),
    ]


QUIET = np.array([[40 * SECOND, 41 * SECOND], [150 * SECOND, 160 * SECOND]])


def reset_without_ties(quiet_ns: Int64s) -> tuple[list[str], bool, int | None, int]:
    """Methods, doubt, band and begin of a log whose second epoch shares nothing with the wire."""
    first, second = WIRE[:100] + 2 * MS, np.arange(20) * SECOND // 10
    native = np.concatenate([first, second])
    log = SourceClock("log", "firmware", 1, native, np.repeat([0, 1], [100, 20]), is_wall=False)
    wire = replace(clock("wire", 0, WIRE), quiet_ns=quiet_ns)
    maps = aligned(
        [wire, log],
        [*series("wire", "n", WIRE, COUNT), *series("log", "n", first, COUNT[:100])],
        {},
    ).maps
    last = maps["log"].pieces[1]
    return [p.method for p in maps["log"].pieces], last.ambiguous, last.band_ns, last.from_ns


def test_a_board_that_starts_anew_is_put_into_the_silence_of_the_bus() -> None:
    methods, ambiguous, band, begin = reset_without_ties(QUIET)
    assert methods == ["equal-values", "reset-silence"]
    assert not ambiguous
    assert begin == 155 * SECOND
    assert band is not None
    assert 5 * SECOND <= band < 6 * SECOND


def test_several_silences_leave_the_start_ambiguous() -> None:
    more = np.concatenate([QUIET, [[200 * SECOND, 203 * SECOND]]])
    assert reset_without_ties(more)[1]


def test_without_a_silence_a_new_epoch_is_not_aligned() -> None:
    assert reset_without_ties(QUIET[:1])[0] == ["equal-values", "none"]
