"""Widths of pulses, against a count one by one."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.edges import Edges
from decoders.captures.pulse_widths import PulseWidths

ROWS = st.lists(st.tuples(st.integers(1, 5_000), st.integers(0, 3)), min_size=1, max_size=60)


def edges_of(rows: list[tuple[int, int]], start_ns: int = 100) -> Edges:
    """Rows from steps in ns and level words; those that change nothing are left out."""
    times = start_ns + np.cumsum([step for step, _ in rows]).astype(np.int64)
    words = np.array([word for _, word in rows], np.uint8)
    kept = np.append(True, words[1:] != words[:-1])
    return Edges(times[kept], words[kept], True, int(times[-1]))


def widths_one_by_one(edges: Edges, line: int, high: bool) -> list[int]:
    levels = [int(word) >> line & 1 for word in edges.levels]
    times = edges.t_ns.tolist()
    at = [k for k in range(1, len(levels)) if levels[k] != levels[k - 1]]
    return [times[b] - times[a] for a, b in pairwise(at) if levels[a] == high]


@given(rows=ROWS, cut=st.integers(0, 60))
@settings(deadline=None)
def test_every_pulse_is_counted_however_the_edges_are_cut(
    rows: list[tuple[int, int]], cut: int
) -> None:
    edges = edges_of(rows)
    cut = min(cut, len(edges.t_ns))
    widths = PulseWidths([0, 1])
    widths.feed(Edges(edges.t_ns[:cut], edges.levels[:cut], cut > 0, int(edges.t_ns[0])))
    widths.feed(Edges(edges.t_ns[cut:], edges.levels[cut:], cut == 0, edges.until_ns))
    for line in (0, 1):
        for high in (False, True):
            expected = widths_one_by_one(edges, line, high)
            got = widths.of(line, high=high)
            assert got.pulses == len(expected)
            assert got.narrowest_ns == min(expected, default=0)


def square(widths_ns: list[int]) -> Edges:
    times = np.concatenate([[0], np.cumsum(widths_ns)]).astype(np.int64)
    return Edges(times, (np.arange(len(times)) % 2).astype(np.uint8), True, int(times[-1]))


def test_the_share_up_to_a_width_is_the_share_of_the_pulses() -> None:
    widths = PulseWidths([0])
    widths.feed(square([9_999, *[1_000, 250, 1_000, 500] * 10]))
    assert widths.of(0, high=False).share_up_to(600) == 1.0
    assert widths.of(0, high=False).share_up_to(300) == 0.5
    assert widths.of(0, high=True).share_up_to(600) == 0.0


def test_of_many_pulses_every_eighth_is_counted_and_the_narrowest_still_found() -> None:
    widths = PulseWidths([0])
    steps = [1_000, 1_000] * 100_000
    steps[150_001] = 40
    widths.feed(square(steps))
    high = widths.of(0, high=True)
    assert (high.pulses, high.narrowest_ns) == (100_000, 40)
    assert int(high.counts.sum()) == 65_536 + (100_000 - 65_536) // 8


def test_a_gap_makes_no_pulse() -> None:
    widths = PulseWidths([0])
    first = square([100, 100, 100])
    second = Edges(first.t_ns + 10_000, first.levels, True, first.until_ns + 10_000)
    widths.feed(first)
    widths.feed(second)
    assert widths.of(0, high=False).share_up_to(130) == 1.0
    assert widths.of(0, high=True).share_up_to(130) == 1.0


def test_the_step_is_the_period_of_samples() -> None:
    dice = np.random.default_rng(5)
    widths = PulseWidths([0])
    widths.feed(square((dice.integers(2, 90, 2_000) * 250).tolist()))
    assert widths.step_ns == 250
