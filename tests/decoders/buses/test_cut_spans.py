"""Transactions that lost clocks: where in them the rows are missing."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from captures_demo.simulator import random_traffic
from decoders.buses.cut_spans import CutSpan, CutSpans
from decoders.buses.i2c import I2cDecoder
from decoders.captures.edges import Edges


def found(edges: Edges, cuts: list[int]) -> list[CutSpan]:
    decoder, spans = I2cDecoder(0, 1), CutSpans(0, 1)
    borders = [0, *sorted(cuts), len(edges.t_ns)]
    for a, b in itertools.pairwise(borders):
        until = int(edges.t_ns[b - 1]) if b < len(edges.t_ns) else edges.until_ns
        block = Edges(edges.t_ns[a:b], edges.levels[a:b], a == 0, until)
        spans.feed(block, decoder.feed(block)[0])
    spans.feed(None, decoder.finish()[0])
    return spans.found


def traffic(seed: int) -> tuple[Edges, list[tuple[int, int]]]:
    """Edges of random traffic, and where its longer transactions lie."""
    run = random_traffic(seed, acts=10, jitter_ns=100)
    t_ns, levels, channels = run.edges()
    assert channels == ("scl", "sda")
    edges = Edges(t_ns, levels, True, run.recorded().until_ns)
    return edges, [(r.start_ns, r.end_ns) for r in run.truth.transactions if len(r.data) > 2]


@pytest.mark.parametrize("seed", range(6))
def test_whole_traffic_has_none(seed: int) -> None:
    assert found(traffic(seed)[0], []) == []


@pytest.mark.parametrize("seed", range(6))
def test_missing_rows_are_found_however_the_edges_are_cut(seed: int) -> None:
    edges, long = traffic(seed)
    start, end = long[len(long) // 2]
    inside = np.flatnonzero((edges.t_ns > start) & (edges.t_ns < end))
    first = int(inside[len(inside) // 3])
    kept = np.ones(len(edges.t_ns), np.bool_)
    kept[first : first + 7] = False
    rows = np.flatnonzero(kept)
    changed = np.append(True, edges.levels[rows][1:] != edges.levels[rows][:-1])
    rows = rows[changed]
    damaged = Edges(edges.t_ns[rows], edges.levels[rows], True, edges.until_ns)
    after = int(edges.t_ns[rows[rows >= first + 7][0]])
    assert found(damaged, []) == [CutSpan(int(edges.t_ns[first - 1]), after, rows_missing=True)]
    assert found(damaged, [3, first, first + 1, len(rows) - 2]) == found(damaged, [])
