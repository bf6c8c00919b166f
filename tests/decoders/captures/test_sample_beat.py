"""Captures with one row a sample: where rows are missing or further apart is told to the sample."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.delimited import DelimitedReader
from decoders.captures.edges import Edges, OffBeat

PERIOD = 500


def rows_of(numbers: list[int]) -> list[str]:
    """One line a sample at 2 MHz; line a turns every 7 samples."""
    return [f"{n * PERIOD / 1e9:.7f},{n // 7 % 2},1\n" for n in numbers]


def read(lines: list[str], cut: int = 10**9) -> tuple[DelimitedReader, list[Edges]]:
    reader = DelimitedReader("wire.csv")
    text = ("Time [s],a,b\n" + "".join(lines)).encode()
    blocks: list[Edges] = []
    for at in range(0, len(text), cut):
        blocks += reader.feed(text[at : at + cut])
    return reader, blocks + reader.finish()


@given(first=st.integers(100, 400), count=st.integers(20, 300), cut=st.sampled_from([977, 10**9]))
@settings(max_examples=25, deadline=None)
def test_missing_rows_are_a_gap_told_to_the_sample(first: int, count: int, cut: int) -> None:
    numbers = [n for n in range(1_000) if not first <= n < first + count]
    reader, blocks = read(rows_of(numbers), cut)
    gap = ((first - 1) * PERIOD, (first + count) * PERIOD)
    assert reader.assumed.off_beat == [OffBeat(*gap, 1, gap[1] - gap[0])]
    borders = [(a.until_ns, int(b.t_ns[0])) for a, b in pairwise(blocks) if b.begins]
    assert borders == [gap]


@pytest.mark.parametrize("every", [2, 5, 16])
def test_a_span_with_fewer_samples_is_told_to_the_sample(every: int) -> None:
    numbers = [n for n in range(2_000) if not 320 <= n < 960 or n % every == 0]
    reader, blocks = read(rows_of(numbers))
    found = reader.assumed.off_beat
    last = max(n for n in numbers if n < 960)
    steps = (last - 320) // every
    until = last if last == 959 or 960 - last < 2 else 960
    assert [(f.from_ns, f.until_ns, f.longest_ns) for f in found] == [
        (320 * PERIOD, until * PERIOD, every * PERIOD)
    ]
    assert found[0].steps == steps + (until == 960 and last < 959)
    assert [block.begins for block in blocks] == [True]


def test_a_long_idle_file_with_a_gap_is_cut_there() -> None:
    numbers = [n for n in range(60_000) if not 40_000 <= n < 41_000]
    lines = [f"{n * PERIOD / 1e9:.7f},1,{n > 50_000:d}\n" for n in numbers]
    reader, blocks = read(lines)
    assert [b.begins for b in blocks if len(b.t_ns)].count(True) == 2
    assert reader.assumed.off_beat[0].from_ns == 39_999 * PERIOD


def test_even_samples_and_rows_of_changes_have_no_gap() -> None:
    reader, _ = read(rows_of(list(range(3_000))))
    changes, _ = read(rows_of([0, *sorted(np.random.default_rng(1).integers(1, 9**6, 500))]))
    assert (reader.assumed.off_beat, changes.assumed.off_beat) == ([], [])
