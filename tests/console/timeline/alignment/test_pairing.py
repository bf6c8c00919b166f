"""Values seen on two clocks, paired where that can be told."""

from __future__ import annotations

import numpy as np

from console.timeline.alignment.pairing import Seen, pairs_of, runs_of
from console.timeline.alignment.rough import rough_line
from console.timeline.alignment.series import value_series

SECOND = 1_000_000_000


def seen(keys: list[int], period_ns: int = SECOND, start_ns: int = 0) -> Seen:
    rows = np.arange(len(keys))
    return Seen(np.array(keys, np.int64), start_ns + rows * period_ns, rows)


def test_values_that_come_once_are_pairs_and_others_are_not() -> None:
    own, other = seen([1, 2, 2, 3, 4, 5]), seen([1, 2, 3, 9, 4, 5], start_ns=7)
    (pairs,) = pairs_of(own, other)
    assert pairs.own_row.tolist() == [0, 3, 4, 5]
    assert pairs.other_ns.tolist() == [7, 7 + 2 * SECOND, 7 + 4 * SECOND, 7 + 5 * SECOND]


def test_a_counter_of_four_bits_fits_at_offsets_sixteen_apart() -> None:
    own = seen([k % 16 for k in range(400)])
    ways = list(pairs_of(own, seen([k % 16 for k in range(400)], start_ns=123)))
    offsets = [int(np.median(w.other_ns - w.own_ns)) for w in ways]
    assert offsets[0] == 123
    assert {123 - 16 * SECOND, 123, 123 + 16 * SECOND} <= set(offsets)


def test_a_counter_that_starts_over_is_paired_run_by_run() -> None:
    values = np.array([*range(1, 60), *range(1, 40)], np.float64)
    rows = np.arange(len(values))
    (series,) = value_series("log", "poll", rows * SECOND, rows, values)
    assert [len(run.keys) for run in runs_of(series, series.native_ns)] == [59, 39]


def test_readings_are_paired_by_three_in_a_row() -> None:
    rng = np.random.default_rng(3)
    values = rng.integers(0, 60, 500).astype(np.float64)
    rows = np.arange(500)
    (own,) = value_series("log", "level", rows * SECOND, rows, values)
    (other,) = value_series("broker", "cm", rows * SECOND + 5, rows, values)
    (pairs,) = pairs_of(runs_of(own, own.native_ns)[0], runs_of(other, other.native_ns)[0])
    right = pairs.other_ns - pairs.own_ns == 5
    assert right.mean() > 0.95
    assert len(pairs) > 400


def test_a_constant_says_nothing() -> None:
    rows = np.arange(100)
    assert value_series("log", "kind", rows, rows, np.full(100, 48.0)) == []


def test_chance_pairs_make_no_line() -> None:
    rng = np.random.default_rng(4)
    own, other = seen(rng.permutation(500).tolist()), seen(rng.permutation(500).tolist())
    (pairs,) = pairs_of(own, other)
    assert rough_line(pairs) is None


def test_a_third_of_wrong_pairs_and_a_clock_set_leave_the_line_where_it_is() -> None:
    rng = np.random.default_rng(5)
    keys = np.arange(600)
    shuffled = keys.copy()
    wrong = rng.choice(600, 200, replace=False)
    shuffled[wrong] = rng.permutation(shuffled[wrong])
    other_ns = keys * SECOND + 40
    other_ns[400:] += 3600 * SECOND
    own = Seen(keys, np.rint(keys * SECOND * (1 + 150e-6)).astype(np.int64), keys)
    (pairs,) = pairs_of(own, Seen(shuffled, other_ns, keys))
    line = rough_line(pairs)
    assert line is not None
    assert abs(line.drift + 150e-6) < 2e-6
    assert abs(line.off_ns(np.array([0]), np.array([40]))[0]) < 1_000_000
