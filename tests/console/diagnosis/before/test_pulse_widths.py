"""The oddest pulse of each transaction, against a search pulse by pulse."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
from hypothesis import given
from hypothesis import strategies as st

from console.diagnosis.before.pulse_widths import pulse_widths
from console.diagnosis.scene import Levels

Pulse = tuple[int, int, bool]


def pulses(level: npt.NDArray[np.bool_], t_ns: npt.NDArray[np.int64]) -> list[Pulse]:
    """Begin, end and level of each stretch between two changes."""
    at = [k for k in range(1, len(level)) if level[k] != level[k - 1]]
    return [(int(t_ns[a]), int(t_ns[b]), bool(level[a])) for a, b in pairwise(at)]


def inside(found: list[Pulse], begin: int, before: int, end: int) -> list[Pulse]:
    """Those that lie in a span, and begin before the next one does."""
    return [each for each in found if begin <= each[0] < before and each[1] <= end]


@st.composite
def wires(draw: st.DrawFn) -> tuple[Levels, list[tuple[int, int]]]:
    """Two lines at random, and spans in time order that do not lie in each other."""
    steps = draw(st.lists(st.integers(1, 9), min_size=2, max_size=60))
    t_ns = np.cumsum(np.array(steps, np.int64))
    bits = st.lists(st.booleans(), min_size=len(steps), max_size=len(steps))
    scl, sda = (np.array(draw(bits), np.bool_) for _ in range(2))
    last = int(t_ns[-1])
    cuts = sorted(draw(st.sets(st.integers(0, last), min_size=2, max_size=8)))
    spans = list(zip(cuts[::2], cuts[1::2], strict=False))
    return Levels(t_ns, scl, sda, last + 3), spans


@given(wires())
def test_each_width_is_that_of_a_search_pulse_by_pulse(
    wire: tuple[Levels, list[tuple[int, int]]],
) -> None:
    levels, spans = wire
    begins, ends = (np.array(each, np.int64) for each in zip(*spans, strict=True))
    found = pulse_widths(levels, begins, ends)
    t_ns = np.append(levels.t_ns, levels.until_ns)
    scl, sda = pulses(levels.scl, t_ns), pulses(levels.sda, t_ns)
    high, low = [p for p in scl if p[2]], [p for p in scl if not p[2]]
    of = {"narrowest pulse": scl + sda, "shortest SCL high": high, "longest SCL low": low}
    for name, own in of.items():
        sign = -1 if name.startswith("longest") else 1
        for row, (begin, end) in enumerate(spans):
            before = spans[row + 1][0] if row + 1 < len(spans) else levels.until_ns
            there = inside(own, begin, before, end)
            best = min(there, key=lambda p: (sign * (p[1] - p[0]), p[0]), default=None)
            width = 0 if best is None else best[1] - best[0]
            assert found[name].values_ns[row] == width
            assert best is None or found[name].at_ns(row) == best[0]


def test_pulse_that_ends_after_the_transaction_counts_for_none() -> None:
    t_ns = np.array([0, 10, 20, 60], np.int64)
    scl = np.array([True, False, True, False])
    levels = Levels(t_ns, scl, np.ones(4, np.bool_), 100)
    found = pulse_widths(levels, np.array([5], np.int64), np.array([50], np.int64))
    assert found["longest SCL low"].values_ns.tolist() == [10]
    assert found["shortest SCL high"].values_ns.tolist() == [0]
