"""Pulses of a line, however the edges are cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.buses import pulses
from decoders.buses.pulses import NO_PERIOD, PulseDecoder, Pulses, concatenated
from decoders.captures.edges import Edges
from tests.decoders.buses.pulse_lines import edges_of


def rows(table: Pulses) -> list[tuple[int, int, int]]:
    columns = table.start_ns, table.end_ns, table.period_ns
    return list(zip(*(column.tolist() for column in columns), strict=True))


def plainly(blocks: list[Edges], line: int, *, high: bool) -> list[tuple[int, int, int]]:
    """The same, row by row."""
    found: list[tuple[int, int, int]] = []
    level: int | None = None
    begun: int | None = None
    last: int | None = None
    for block in blocks:
        for k, (t, word) in enumerate(zip(block.t_ns.tolist(), block.levels.tolist(), strict=True)):
            new = word >> line & 1
            if level is None or (k == 0 and block.begins):
                begun = last = None
            elif new != level and new == high:
                begun = t
            elif new != level and begun is not None:
                found.append((begun, t, NO_PERIOD if last is None else begun - last))
                last, begun = begun, None
            level = new
    return found


@settings(max_examples=200, deadline=None)
@given(
    words=st.lists(st.integers(0, 7), min_size=1, max_size=60),
    steps=st.lists(st.integers(1, 10**9), min_size=60, max_size=60),
    cuts=st.lists(st.integers(0, 60), max_size=12),
    gaps=st.sets(st.integers(1, 59)),
    high=st.booleans(),
    block=st.sampled_from([1, 5, 1 << 16]),
)
def test_pulses_are_those_of_a_plain_reader_however_the_edges_are_cut(
    words: list[int], steps: list[int], cuts: list[int], gaps: set[int], high: bool, block: int
) -> None:
    t_ns, levels = np.cumsum(steps)[: len(words)].astype(np.int64), np.array(words, np.uint8)
    bounds = sorted({0, len(words), *(min(c, len(words)) for c in [*cuts, *gaps])})
    blocks = [
        Edges(t_ns[a:b], levels[a:b], a == 0 or a in gaps, int(t_ns[b - 1]))
        for a, b in pairwise(bounds)
    ]
    decoder = PulseDecoder(1, high=high)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pulses, "_BLOCK", block)
        found = rows(concatenated([decoder.feed(each) for each in blocks]))
    assert found == plainly(blocks, 1, high=high)


def test_a_pulse_that_observation_cuts_is_none() -> None:
    edges = edges_of([[(1_000, 2_000), (3_000, 4_000)]], 5_000)
    late = Edges(edges.t_ns[1:-1], edges.levels[1:-1], True, 3_500)
    assert rows(PulseDecoder(0).feed(late)) == []
    assert rows(PulseDecoder(0).feed(edges)) == [(1_000, 2_000, NO_PERIOD), (3_000, 4_000, 2_000)]


def test_a_line_that_is_not_there_is_refused() -> None:
    with pytest.raises(ValueError, match="line is 64"):
        PulseDecoder(64)
    with pytest.raises(ValueError, match="line 9 of 8 lines"):
        PulseDecoder(9).feed(edges_of([[(1, 2)]], 3))
