"""The three ways through blocks of lines, held equal to the careful lines alone."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.delimited_blocks import LineBlocks
from decoders.captures.delimited_channels import Options
from decoders.captures.delimited_layout import Layout
from decoders.captures.delimited_lines import CarefulLines
from decoders.captures.delimited_rows import RowError
from decoders.captures.edge_rows import EdgeRows
from tests.decoders.captures.delimited_made import layout

SECONDS = layout("Time [s],scl,sda\n0.5,1,1\n0.75,1,0\n")
NUMBERED = layout("scl,sda\n1,1\n0,1\n", Options(sample_rate_hz=Fraction(3)))
Outcome = tuple[list[tuple[int, int]], list[str], int, str]


def outcome(lines: list[str], of: Layout, cuts: list[int] | None) -> Outcome:
    """Rows, remarks, next line and error: by blocks cut at some lines, or by careful lines."""
    edges = EdgeRows(2)
    careful = CarefulLines("wire.csv", of, edges)
    blocks, error = LineBlocks(of, careful, edges), ""
    try:
        if cuts is None:
            for line in lines:
                careful.line(line.encode())
        else:
            for a, b in pairwise(sorted({0, len(lines), *(min(c, len(lines)) for c in cuts)})):
                blocks.take(np.frombuffer("".join(lines[a:b]).encode(), np.uint8))
    except RowError as refused:
        error = str(refused)
    rows = [
        row
        for block in edges.rest()
        for row in zip(block.t_ns.tolist(), block.levels.tolist(), strict=True)
    ]
    return rows, careful.rows.odd.remarks(), careful.next_line if not error else 0, error


@st.composite
def seconds(draw: st.DrawFn) -> list[str]:
    """Stretches of lines of one form, and odd lines between them."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    ns, lines = draw(st.sampled_from([0, 9_999_000_000])), list[str]()
    odd = ["# remark", "", "high", "Time [s],scl,sda", "1.5,1", '"', "0,1,1", "ovf,1,1"]
    for _ in range(draw(st.integers(1, 4))):
        form = draw(st.sampled_from(["{:.9f},{},{}", "{:.11f},{},{}", "{:g},{},{}", "{},,{}"]))
        fills = form.count("{}")
        for step in rng.integers(0, 4000, draw(st.integers(1, 300))).tolist():
            ns += step
            levels = rng.integers(0, 2, fills).tolist()
            time = f"{ns // 10**9}.{ns % 10**9:09d}".rstrip("0")
            fields = (time, *levels[1:]) if form.startswith("{},") else (ns / 1e9, *levels)
            lines.append(form.format(*fields) + "\n")
        lines += [f"{line}\n" for line in draw(st.lists(st.sampled_from(odd), max_size=2))]
    return lines


@settings(max_examples=60, deadline=None)
@given(lines=seconds(), cuts=st.lists(st.integers(0, 1200), max_size=5))
def test_blocks_say_what_the_careful_lines_say(lines: list[str], cuts: list[int]) -> None:
    assert outcome(lines, SECONDS, cuts) == outcome(lines, SECONDS, None)


@settings(max_examples=30, deadline=None)
@given(
    words=st.lists(st.sampled_from(["1,1\n", "0,1\n", "0,0\n", "1,\n", "on,off\n"]), min_size=1),
    times=st.integers(1, 200),
    cuts=st.lists(st.integers(0, 1200), max_size=3),
)
def test_numbered_rows_are_the_same_in_blocks(
    words: list[str], times: int, cuts: list[int]
) -> None:
    lines = words * times
    assert outcome(lines, NUMBERED, cuts) == outcome(lines, NUMBERED, None)


@pytest.mark.parametrize("form", ["{:.9f},{},1\n", "{},{},1\n"])
def test_regular_lines_do_not_go_the_careful_way(form: str) -> None:
    # Guards the tests above: were nothing read in bulk, they would compare like with like.
    lines = [form.format(k / 1000, k % 2) for k in range(20_000)]
    with patch.object(
        CarefulLines, "line", autospec=True, side_effect=CarefulLines.line
    ) as careful:
        found = outcome(lines, SECONDS, [])
    assert len(found[0]) == 20_000
    assert careful.call_count < 200


def test_a_time_that_falls_within_a_run_is_told_with_its_line() -> None:
    lines = [f"0.{k:06d},{k % 2},1\n" for k in range(5000)]
    lines[3000] = lines[2998]
    rows, _, _, error = outcome(lines, SECONDS, [])
    assert len(rows) == 3000
    assert error.startswith("wire.csv:3002:1: time goes backwards: 2998000 ns after 2999000 ns")
