"""What an instrument records: samples, window, its own clock."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from captures_demo.simulator.capture import Instrument, Recorded
from captures_demo.simulator.clocks import Clock

CHANNELS = ("scl", "sda")


def record(instrument: Instrument, rows: list[tuple[int, int]], end_ns: int) -> Recorded:
    t_ns = np.array([t for t, _ in rows], np.int64)
    return instrument.record(t_ns, np.array([w for _, w in rows], np.uint8), CHANNELS, end_ns)


def rows_of(recorded: Recorded) -> list[tuple[int, int]]:
    return list(zip(recorded.t_ns.tolist(), recorded.levels.tolist(), strict=True))


def test_change_shows_at_the_first_sample_at_or_after_it() -> None:
    instrument = Instrument(Clock("capture"), sample_rate_hz=1_000_000)
    recorded = record(instrument, [(1_000, 1), (2_001, 3), (3_999, 2)], 6_500)
    assert rows_of(recorded) == [(0, 3), (1_000, 1), (3_000, 3), (4_000, 2)]
    assert recorded.samples.tolist() == [0, 1, 3, 4]
    assert (recorded.until_ns, recorded.last_sample) == (6_000, 6)


def test_pulse_between_two_samples_is_not_seen() -> None:
    instrument = Instrument(Clock("capture"), sample_rate_hz=1_000_000)
    assert rows_of(record(instrument, [(2_100, 1), (2_900, 3)], 5_000)) == [(0, 3)]


def test_window_begins_with_the_levels_of_that_moment() -> None:
    instrument = Instrument(Clock("capture", native_ns=-500), None, from_ns=2_000, until_ns=4_000)
    recorded = record(instrument, [(1_000, 1), (3_000, 0), (5_000, 3)], 9_000)
    assert rows_of(recorded) == [(1_500, 1), (2_500, 0)]
    assert recorded.until_ns == 3_500


@given(
    gaps=st.lists(st.integers(1, 10**11), min_size=1, max_size=30),
    rate=st.sampled_from([1_000_000, 4_000_000, 24_000_000, 3_000_000]),
    rate_ppb=st.integers(-200_000, 200_000),
)
def test_time_of_a_change_is_the_time_of_its_row(gaps: list[int], rate: int, rate_ppb: int) -> None:
    times = np.cumsum([3_000 * gap for gap in gaps]).tolist()  # further apart than samples
    instrument = Instrument(Clock("capture", rate_ppb=rate_ppb), rate)
    rows = [(t, 1 + 2 * (k % 2)) for k, t in enumerate(times)]
    recorded = record(instrument, rows, times[-1] + 10_000)
    assert recorded.t_ns[1:].tolist() == [instrument.time_of(t) for t in times]
    assert recorded.time_of(recorded.samples).tolist() == recorded.t_ns.tolist()


def test_capture_without_samples_has_no_sample_numbers() -> None:
    recorded = record(Instrument(Clock("capture")), [(10, 1)], 20)
    with pytest.raises(ValueError, match="no sample rate"):
        _ = recorded.samples
