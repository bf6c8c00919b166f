"""A latency is told no better than it is known."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.timeline.latency import latency_words
from decoders.durations import in_words


@pytest.mark.parametrize(
    ("latency_ns", "band_ns", "words"),
    [
        (1_281_500, 0, "1.28 ms"),
        (-1_350, 1_007_812, "< 2 ms"),  # before its cause only within the band
        (2_820_000, 5_145_352, "< 8 ms"),
        (13_400_000, 5_145_352, "13 ms ±6 ms"),
        (0, 1, "< 1 ns"),
    ],
)
def test_a_latency_is_told_no_better_than_it_is_known(
    latency_ns: int, band_ns: int, words: str
) -> None:
    assert latency_words(latency_ns, band_ns) == words


@given(st.integers(0, 10**12), st.integers(1, 10**10))
def test_a_bound_is_never_told_below_what_the_latency_may_have_been(
    latency_ns: int, band_ns: int
) -> None:
    said = latency_words(min(latency_ns, band_ns), band_ns).removeprefix("< ")
    number, unit = said.split()
    scale = {"ns": 1, "us": 10**3, "ms": 10**6, "s": 10**9, "min": 60 * 10**9, "h": 3600 * 10**9}
    most = min(latency_ns, band_ns) + band_ns
    assert float(number) * scale[unit] >= most * 0.995  # three digits are said
    assert said == in_words(float(number) * scale[unit])
