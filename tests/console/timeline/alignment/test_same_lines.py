"""Lines of a log found again among the lines of the capture's UART."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.timeline.alignment.same_lines import same_lines


def keys(text: str) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array([ord(c) for c in text], np.int64)


@pytest.mark.parametrize(
    ("log", "wire", "expected"),
    [
        ("abcdef", "abcdef", [(k, k) for k in range(6)]),
        ("abdef", "abcdef", [(0, 0), (1, 1), (2, 3), (3, 4), (4, 5)]),
        ("aXxbXxcXx", "aXxbXxcXx", [(k, k) for k in range(9)]),
        ("abc", "xyz", []),
        ("ab", "ab", []),  # two lines may be chance
        ("abcd", "bcda", [(1, 0), (2, 1), (3, 2)]),  # a line out of order is none
        ("", "abc", []),
    ],
)
def test_lines_are_the_same_by_text_and_order(
    log: str, wire: str, expected: list[tuple[int, int]]
) -> None:
    a, b = same_lines(keys(log), keys(wire))
    assert list(zip(a.tolist(), b.tolist(), strict=True)) == expected


@given(seed=st.integers(0, 10_000), lost=st.floats(0.0, 0.2))
def test_only_true_partners_are_found_and_nearly_all(seed: int, lost: float) -> None:
    rng = np.random.default_rng(seed)
    wire = rng.integers(0, 40, 300)
    wire[::3] = np.arange(1_000, 1_100)  # every third line has a counter in it
    true = np.flatnonzero(rng.random(300) >= lost)
    a, b = same_lines(wire[true], wire)
    assert (np.diff(a) > 0).all()
    assert (np.diff(b) > 0).all()
    assert (wire[true][a] == wire[b]).all()
    assert (true[a] == b).mean() > 0.98
    assert len(a) >= 0.95 * len(true)
