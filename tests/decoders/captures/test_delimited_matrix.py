"""Lines of one shape as a byte matrix."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.captures.delimited import DelimitedReader
from decoders.captures.delimited_lines import CarefulLines
from decoders.captures.delimited_matrix import sample_times


def read(text: str) -> tuple[list[int], list[int], str]:
    reader = DelimitedReader("wire.csv")
    blocks = [*reader.feed(text.encode()), *reader.finish()]
    times = [int(t) for block in blocks for t in block.t_ns]
    return times, [int(v) for b in blocks for v in b.levels], str(reader.stopped or "")


def written_short(t: int) -> str:
    """Seconds without trailing zeros."""
    return f"{t // 10**9}.{t % 10**9:09d}".rstrip("0")


@pytest.mark.parametrize("around_s", [1, 10, 100, 2_100, 1_700_000_000])
def test_lines_of_one_length_but_other_shapes_are_not_mistaken(around_s: int) -> None:
    # 9.999999995 and 10.00100382 are equally long: either may stand first in a part of the matrix
    rng = np.random.default_rng(3)
    t = around_s * 10**9 - 10**8 + np.cumsum(rng.integers(1, 1400, 60_000)) * 5
    rows = [f"{written_short(ns)},{k % 2}\n" for k, ns in enumerate(t.tolist())]
    with patch.object(
        CarefulLines, "line", autospec=True, side_effect=CarefulLines.line
    ) as careful:
        times, levels, stopped = read("Time [s],scl\n" + "".join(rows))
    assert stopped == ""
    assert times == t.tolist()
    assert levels == [k % 2 for k in range(60_000)]
    assert careful.call_count < 50  # the rest as a matrix


def test_a_point_that_moves_within_one_length_is_seen() -> None:
    rows = [f"9.{k:05d},{k % 2}\n" for k in range(20_000)]
    rows += [f"10.{k:04d},{k % 2}\n" for k in range(10_000)]
    times, levels, stopped = read("Time [s],scl\n" + "".join(rows))
    assert stopped == ""
    expected = [9 * 10**9 + k * 10**4 for k in range(20_000)]
    expected += [10**10 + k * 10**5 for k in range(10_000)]
    assert times == expected
    assert levels == [k % 2 for k in range(30_000)]


@pytest.mark.parametrize("junk", ["/", ":", "x", "\u00e9", "\x00"])
@pytest.mark.parametrize("place", [0, 4, 9, 11, 13])
def test_one_wrong_byte_among_many_rows_is_found(junk: str, place: int) -> None:
    rows = [f"0.{k:08d},{k % 2},1\n" for k in range(30_000)]
    odd = rows[20_000]
    rows[20_000] = odd[:place] + junk + odd[place + 1 :]
    times, _, stopped = read("Time [s],scl,sda\n" + "".join(rows))
    assert times == [k * 10 for k in range(20_000)]
    assert stopped.startswith("wire.csv:20002:")


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("period", [1, 5, 20_000])
def test_samples_give_the_times_of_their_changes(ending: str, period: int) -> None:
    rows = [f"{k:d},{k // period % 2}{ending}" for k in range(60_000)]
    times, levels, _ = read(f"time_ns,scl{ending}" + "".join(rows))
    assert times == list(range(0, 60_000, period))
    assert levels == [k % 2 for k in range(len(times))]


@given(
    numbers=st.lists(st.integers(0, 10**9), min_size=1, max_size=20),
    rate=st.integers(1, 10**12),
)
def test_sample_numbers_in_bulk_are_the_nearest_ns(numbers: list[int], rate: int) -> None:
    column = np.array(sorted(numbers), np.int64)
    period = Fraction(10**9, rate)
    sample_times(column, period)
    errors = [abs(n * period - t) for n, t in zip(sorted(numbers), column.tolist(), strict=True)]
    assert max(errors) <= Fraction(1, 2)
    assert all(a <= b for a, b in pairwise(column.tolist()))
