"""Sources with clocks of their own, tied by the values they share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from console.timeline.align import SourceClock, aligned
from console.timeline.series import Series, print_series

SECOND = 1_000_000_000
MS = 1_000_000
POLLS = 400


def clock(
    source: str, rank: int, times: npt.NDArray[np.int64], *, is_wall: bool = False
) -> SourceClock:
    return SourceClock(source, "x", rank, ((int(times[0]), int(times[-1])),), is_wall)


def series(
    source: str, name: str, times: npt.NDArray[np.int64], values: npt.NDArray[np.int64]
) -> Series:
    return Series(source, name, times, np.zeros(len(times), np.int64), values.astype(np.float64))


def wire_times(seed: int = 1) -> npt.NDArray[np.int64]:
    rng = np.random.default_rng(seed)
    return np.arange(POLLS) * SECOND + rng.integers(0, 5 * MS, POLLS)


def printed_times(
    wire: npt.NDArray[np.int64], offset_ns: int, ppm: float, seed: int = 2
) -> npt.NDArray[np.int64]:
    """Native times of prints that follow the wire by 1 to 4 ms, on a clock of offset and drift."""
    delay = np.random.default_rng(seed).integers(1 * MS, 4 * MS, len(wire))
    common = wire + delay
    return np.rint((common - offset_ns) / (1 + ppm * 1e-6)).astype(np.int64)


@pytest.mark.parametrize("ppm", [-200.0, 0.0, 43.0])
@pytest.mark.parametrize("offset_ns", [-7200 * SECOND, 12_345_678_901])
def test_a_counter_on_wire_and_print_ties_their_clocks(offset_ns: int, ppm: float) -> None:
    wire = wire_times()
    printed = printed_times(wire, offset_ns, ppm)
    count = np.arange(POLLS)
    maps = aligned(
        [clock("wire", 0, wire), clock("log", 1, printed)],
        [series("wire", "sequence", wire, count), series("log", "poll", printed, count)],
        {},
    )
    piece = maps["log"].pieces[0]
    error = maps["log"].common_ns(printed) - wire  # 1 to 4 ms of true delay are in here
    assert piece.method == "equal-values"
    assert error.min() >= 0
    assert error.max() < 4 * MS
    assert piece.drift_ppm == pytest.approx(ppm, abs=5)
    assert not piece.ambiguous


def test_wrong_pairs_do_not_move_the_line() -> None:
    wire = wire_times()
    printed = printed_times(wire, 5 * SECOND, 20.0)
    shuffled = np.arange(POLLS)
    rng = np.random.default_rng(3)
    wrong = rng.choice(POLLS, POLLS * 3 // 10, replace=False)
    shuffled[wrong] = rng.permutation(shuffled[wrong])
    maps = aligned(
        [clock("wire", 0, wire), clock("log", 1, printed)],
        [series("wire", "n", wire, np.arange(POLLS)), series("log", "n", printed, shuffled)],
        {},
    )
    error = maps["log"].common_ns(printed) - wire
    assert np.abs(error).max() < 5 * MS
    assert maps["log"].pieces[0].rejected > POLLS // 5


def test_two_counters_of_equal_pace_are_called_ambiguous() -> None:
    wire = wire_times()
    printed = printed_times(wire, 0, 0.0)
    maps = aligned(
        [clock("wire", 0, wire), clock("log", 1, printed)],
        [
            series("wire", "one", wire, np.arange(POLLS)),
            series("wire", "other", wire, np.arange(POLLS) + 17),
            series("log", "count", printed, np.arange(POLLS)),
        ],
        {},
    )
    assert maps["log"].pieces[0].ambiguous


def test_sources_without_common_values_are_not_aligned() -> None:
    wire = wire_times()
    maps = aligned(
        [clock("wire", 0, wire), clock("log", 1, wire + 5)],
        [
            series("wire", "n", wire, np.arange(POLLS)),
            series("log", "n", wire, np.random.default_rng(4).permutation(POLLS)),
        ],
        {},
    )
    assert [piece.method for piece in maps["log"].pieces] == ["none"]
    assert maps["log"].band_ns is None


def test_a_declared_offset_is_taken_as_it_stands() -> None:
    maps = aligned([clock("wire", 0, wire_times())], [], {"wire": 12_500_000_000})
    assert maps["wire"].common_ns(np.array([1], np.int64)).tolist() == [12_500_000_001]


def test_an_offset_of_one_source_is_against_the_axis_of_the_others() -> None:
    times = wire_times()
    clocks = [clock("wire", 0, times), clock("log", 1, times), clock("broker", 2, times)]
    maps = aligned(clocks, [], {"broker": -3 * SECOND})
    assert [maps[name].pieces[0].method for name in maps] == ["declared", "axis", "none"]
    assert [maps[name].pieces[0].offset_ns for name in ("wire", "broker")] == [0, -3 * SECOND]
    assert aligned(clocks, [], {"broker": 5}, "log")["log"].pieces[0].method == "axis"


def test_date_stamps_share_one_axis_with_a_wide_band() -> None:
    epoch = 1_764_000_000 * SECOND + np.arange(5) * SECOND
    maps = aligned(
        [clock("log", 1, epoch, is_wall=True), clock("broker", 2, epoch, is_wall=True)], [], {}
    )
    assert maps["broker"].pieces[0].method == "wall-clock"
    assert maps["broker"].pieces[0].offset_ns == 0
    assert maps["broker"].band_ns == SECOND


def test_a_third_source_is_tied_through_the_second() -> None:
    wire = wire_times()
    printed, sent = printed_times(wire, 9 * SECOND, 0.0), wire + 1_764_000_000 * SECOND + 7 * MS
    readings = np.random.default_rng(5).permutation(POLLS)
    maps = aligned(
        [clock("wire", 0, wire), clock("log", 1, printed), clock("broker", 2, sent)],
        [
            series("wire", "n", wire, np.arange(POLLS)),
            series("log", "n", printed, np.arange(POLLS)),
            series("log", "cm", printed, readings),
            series("broker", "cm", sent, readings),
        ],
        {},
    )
    error = maps["broker"].common_ns(sent) - wire
    assert np.abs(error).max() < 10 * MS
    assert maps["broker"].is_aligned


def test_numbers_in_prints_are_found_by_the_sentence_around_them() -> None:
    texts = pl.Series([f"cam: poll {k} blocks {k % 3} us {1800 + k}" for k in range(5)])
    found = print_series("log", np.arange(5), np.zeros(5, np.int64), texts)
    assert [(s.name, s.values.tolist()) for s in found] == [
        ("poll", [0.0, 1.0, 2.0, 3.0, 4.0]),
        ("blocks", [0.0, 1.0, 2.0, 0.0, 1.0]),
        ("us", [1800.0, 1801.0, 1802.0, 1803.0, 1804.0]),
    ]
