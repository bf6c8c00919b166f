"""Common times back on a source's own clock."""

from __future__ import annotations

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from console.timeline.clocks import ClockMap, ClockPiece, mapped_ns
from console.timeline.native import native_ns

YEAR_NS = 365 * 24 * 3600 * 10**9


def piece(
    offset_ns: int, drift_ppm: float, from_ns: int = 0, until_ns: int = 1 << 62
) -> ClockPiece:
    return ClockPiece(
        *("wire", "capture", from_ns, until_ns, offset_ns, drift_ppm, 0, 0, 0, "declared", False)
    )


@given(
    st.integers(0, YEAR_NS),
    st.one_of(st.just(0.0), st.floats(-500, 500)),
    st.integers(-(10**18), 10**18),
)
@example(native=YEAR_NS - 1, drift_ppm=-499.99, offset_ns=0)
def test_native_times_undo_common_times_to_the_ns(
    native: int, drift_ppm: float, offset_ns: int
) -> None:
    on = piece(offset_ns, drift_ppm, -(1 << 62))
    common = int(mapped_ns(np.array([native], np.int64), on)[0])
    clock = ClockMap((on,))
    first, last = native_ns(clock, common), native_ns(clock, common, last=True)
    assert first <= native <= last <= first + 1
    assert mapped_ns(np.array([first, last], np.int64), on).tolist() == [common, common]


def test_a_time_is_undone_by_the_piece_it_lies_in() -> None:
    clock = ClockMap((piece(0, 0.0, 0, 999), piece(5_000, 0.0, 6_000, 9_000)), np.array([0, 1]))
    assert [native_ns(clock, t) for t in (500, 6_100)] == [500, 1_100]
