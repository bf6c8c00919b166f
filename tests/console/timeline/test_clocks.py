"""Native times to the common axis, exact where no drift is claimed."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from console.timeline.clocks import (
    NO_BAND,
    ClockMap,
    ClockPiece,
    beside_axis,
    clocks_frame,
    on_axis,
)


def piece(offset_ns: int, drift_ppm: float = 0.0, method: str = "axis") -> ClockPiece:
    band = None if method == "none" else 5
    return ClockPiece("s", "host", 0, 1, offset_ns, drift_ppm, band, 0, 0, method, False)


@given(
    native=st.integers(0, 2 * 10**18),
    offset=st.integers(-(10**18), 10**18),
    drift=st.floats(-300.0, 300.0),
)
def test_a_drift_costs_at_most_one_ns_even_at_epoch_times(
    native: int, offset: int, drift: float
) -> None:
    got = ClockMap((piece(offset, drift),)).common_ns(np.array([native], np.int64))[0]
    exact = native + offset + Fraction(drift * 1e-6) * native
    assert abs(int(got) - exact) <= 1


def test_each_row_is_mapped_by_its_piece() -> None:
    clock = ClockMap((piece(100), piece(5_000)), np.array([0, 0, 1]))
    assert clock.common_ns(np.array([1, 2, 1], np.int64)).tolist() == [101, 102, 5_001]
    assert clock.common_ns(np.array([7, 8], np.int64), np.array([2, 0])).tolist() == [5_007, 108]


def test_the_band_widens_away_from_its_centre() -> None:
    wide = replace(piece(0), centre_ns=1_000_000, least_band_ns=10, band_ppm=100.0)
    clock = ClockMap((wide, piece(0, method="none")), np.array([0, 0, 1]))
    bands = clock.bands_ns(np.array([1_000_000, 3_000_000, 5], np.int64))
    assert bands.tolist() == [10, 210, NO_BAND]


def test_the_widest_band_of_the_pieces_counts_and_none_when_one_is_not_aligned() -> None:
    assert ClockMap((piece(0), piece(0))).band_ns == 5
    assert ClockMap((piece(0), piece(0, method="none"))).band_ns is None


def test_only_moments_are_moved_and_nulls_stay() -> None:
    frame = pl.DataFrame(
        {"request_ns": [1, 2], "reply_ns": [3, None], "latency_ns": [2, None], "native_ns": [1, 1]}
    )
    moved = on_axis(frame, ClockMap((piece(1_000),)))
    assert moved.rows() == [(1_001, 1_003, 2, 1, 0), (1_002, None, None, 1, 0)]
    assert moved.columns[-1] == "band_ns"


def test_the_clocks_table_has_a_row_a_piece() -> None:
    table = clocks_frame([ClockMap((piece(1), piece(2, method="none")))])
    assert table["offset_ns"].to_list() == [1, 2]
    assert table["band_ns"].to_list() == [5, None]


def spans(*pieces: ClockPiece, axis: tuple[int, int] = (1_000, 9_000)) -> list[tuple[int, int]]:
    """Where pieces stand beside a source that is the axis over this span."""
    other = replace(piece(0), source="axis", from_ns=axis[0], until_ns=axis[1])
    maps = beside_axis({"axis": ClockMap((other,)), "s": ClockMap(pieces)})
    assert maps["axis"].pieces == (other,)
    return [(p.from_ns, p.until_ns) for p in maps["s"].pieces]


def off_axis(from_ns: int, until_ns: int) -> ClockPiece:
    return replace(piece(0, method="none"), from_ns=from_ns, until_ns=until_ns)


def test_a_source_without_a_tie_counts_from_its_own_start() -> None:
    assert spans(off_axis(10**18, 10**18 + 50)) == [(1_000, 1_050)]


def test_what_follows_a_restart_stands_behind_what_came_before() -> None:
    tied = replace(piece(0), from_ns=2_000, until_ns=3_000)
    assert spans(tied, off_axis(0, 700)) == [(2_000, 3_000), (3_001, 3_701)]
    assert spans(off_axis(0, 700), tied) == [(1_299, 1_999), (2_000, 3_000)]
    assert spans(off_axis(5, 6), off_axis(0, 9)) == [(1_000, 1_001), (1_002, 1_011)]


def test_times_of_what_is_beside_the_axis_move_with_its_piece() -> None:
    moved = beside_axis({"s": ClockMap((off_axis(40, 90),))})["s"]
    assert moved.common_ns(np.array([40, 90], np.int64)).tolist() == [0, 50]
    assert (moved.is_aligned, moved.has_place) == (False, False)
