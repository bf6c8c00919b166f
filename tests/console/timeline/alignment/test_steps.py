"""Steps of a clock are found where they were made, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from console.timeline.alignment.steps import steps
from tests.benchmarks.alignment_cases import MS, SECOND, stepped


@pytest.mark.parametrize("wrong", [0.0, 0.3])
@pytest.mark.parametrize("n", [100, 500])
def test_a_clock_that_ran_on_has_no_steps(n: int, wrong: float) -> None:
    rows = [stepped(seed, n, 0, wrong) for seed in range(120)]
    assert sum(len(steps(row.native_ns, row.common_ns)) > 0 for row in rows) <= 1


@pytest.mark.parametrize(("n", "count"), [(100, 1), (500, 1), (500, 3), (3000, 5)])
def test_planted_steps_are_found_within_one_anchor(n: int, count: int) -> None:
    for seed in range(40):
        drawn = stepped(seed, n, count, 0.0)
        found = steps(drawn.native_ns, drawn.common_ns)
        assert len(found) == count
        assert np.abs(found - drawn.cuts).max() <= 1


def test_planted_steps_are_found_among_wrong_anchors() -> None:
    right = 0
    for seed in range(100):
        drawn = stepped(seed, 500, 2, 0.3)
        found = steps(drawn.native_ns, drawn.common_ns)
        right += len(found) == 2 and np.abs(found - drawn.cuts).max() <= 6
    assert right >= 95


def test_a_clock_that_stood_still_is_cut_where_it_stopped() -> None:
    common = np.arange(400, dtype=np.int64) * SECOND
    native = common + np.random.default_rng(1).integers(0, 5 * MS, 400)
    native[250:] -= 90 * SECOND  # suspended for 90 s
    assert steps(native, common).tolist() == [250]


def test_a_reset_of_the_tick_is_a_step() -> None:
    common = np.arange(300, dtype=np.int64) * SECOND
    native = common + 7_000 * SECOND
    native[100:] = common[100:] - common[100]
    assert steps(native, common).tolist() == [100]


def test_small_corrections_above_the_scatter_are_found() -> None:
    common = np.arange(400, dtype=np.int64) * SECOND
    native = common + np.random.default_rng(2).integers(0, 2 * MS, 400)
    native[170:] += 128 * MS  # where NTP steps instead of slewing
    assert steps(native, common).tolist() == [170]


def test_a_run_of_wrong_anchors_is_no_step() -> None:
    common = np.arange(400, dtype=np.int64) * SECOND
    native = common + np.random.default_rng(3).integers(0, 16 * MS, 400)
    native[200:215] += 4 * SECOND
    assert steps(native, common).tolist() == []


def test_a_clock_set_and_set_back_is_cut_twice() -> None:
    common = np.arange(400, dtype=np.int64) * SECOND
    native = common + np.random.default_rng(4).integers(0, 16 * MS, 400)
    native[200:260] += 3600 * SECOND
    assert steps(native, common).tolist() == [200, 260]


@pytest.mark.parametrize("percent", [-4, -1, 1, 4])
def test_a_resonator_far_off_its_frequency_is_no_step(percent: int) -> None:
    common = np.arange(1000, dtype=np.int64) * SECOND
    native = common + common // 100 * percent
    native += np.random.default_rng(5).integers(0, 16 * MS, 1000)
    assert steps(native, common).tolist() == []


def test_hours_of_silence_are_no_step() -> None:
    common = np.arange(200, dtype=np.int64) * SECOND
    common[100:] += 10 * 3600 * SECOND
    native = np.rint(common * (1 + 50e-6)).astype(np.int64)
    native += np.random.default_rng(6).integers(0, 16 * MS, 200)
    assert steps(native, common).tolist() == []


@pytest.mark.parametrize("n", [0, 1, 11])
def test_too_few_anchors_show_no_step(n: int) -> None:
    common = np.arange(n, dtype=np.int64) * SECOND
    native = common + (common > 5 * SECOND) * 3600 * SECOND
    assert steps(native, common).tolist() == []
