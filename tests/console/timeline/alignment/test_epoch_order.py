"""Stretches of a log between restarts, which lie on the axis in their order."""

from __future__ import annotations

import numpy as np

from console.timeline.alignment.anchors import Shared
from console.timeline.alignment.epoch_order import LATE_NS, EpochOrder
from console.timeline.alignment.pairing import Pairs
from console.timeline.alignment.rough import RoughLine
from console.timeline.alignment.ways import Way

S = 1_000_000_000


def way(begin_ns: int, end_ns: int) -> Way:
    """A way that lays a stretch there."""
    own = np.array([0, end_ns - begin_ns], np.int64)
    rows = np.arange(2)
    line = RoughLine(0, begin_ns, 0.0, 0, np.ones(2, np.bool_))
    shared = Shared("poll", "wire", "poll", "counter")
    return Way(shared, Pairs(own, own + begin_ns, rows, rows), line, 3, 1, True, 0)


def test_stretch_after_a_restart_lies_after_the_one_before_it() -> None:
    order = EpochOrder()
    order.put(0, way(0, 6 * S))
    assert order.allows(1, way(6 * S, 7 * S))
    assert not order.allows(1, way(S, 2 * S))


def test_stretch_before_a_surer_one_lies_before_it() -> None:
    order = EpochOrder()
    order.put(3, way(6 * S, 9 * S))
    assert order.allows(2, way(4 * S, 5 * S))
    assert not order.allows(2, way(7 * S, 8 * S))


def test_delay_of_a_print_puts_nothing_out_of_order() -> None:
    order = EpochOrder()
    order.put(0, way(0, 6 * S))
    assert order.allows(1, way(6 * S - LATE_NS // 2, 7 * S))
