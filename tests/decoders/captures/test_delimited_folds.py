"""Properties of the delimited reader: any cut gives the same, and the fast way equals the slow."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from unittest.mock import patch

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoders.captures import delimited, delimited_blocks
from decoders.captures.delimited import DelimitedReader
from decoders.captures.edges import Edges
from decoders.errors import CaptureError


@dataclass(frozen=True)
class Outcome:
    """All that a reader gave, whatever the blocks."""

    channels: tuple[str, ...]
    times: list[int]
    levels: list[int]
    until_ns: int | None
    rows: int
    remarks: list[str]
    error: str


def read(data: bytes, cuts: list[int], **options: object) -> Outcome:
    reader = DelimitedReader("wire.csv", **options)  # type: ignore[arg-type]
    blocks: list[Edges] = []
    places = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    error = ""
    try:
        for a, b in pairwise(places):
            blocks += reader.feed(data[a:b])
        blocks += reader.finish()
    except CaptureError as refused:
        error = str(refused)
    for block in blocks:
        assert block.until_ns >= (block.t_ns[-1] if len(block.t_ns) else block.until_ns)
    begins = [bool(block.begins) for block in blocks]
    assert begins == [True] * bool(blocks) + [False] * (len(blocks) - 1)
    times = [int(t) for block in blocks for t in block.t_ns]
    assert times == sorted(times)
    return Outcome(
        reader.channels,
        times,
        [int(level) for block in blocks for level in block.levels],
        blocks[-1].until_ns if blocks else None,
        reader.assumed.rows,
        reader.assumed.remarks,
        error or str(reader.stopped or ""),
    )


LEVELS = {
    "bits": ["0", "1"],
    "decimals": ["0.0", "1.0"],
    "words": ["true", "false"],
    "letters": ["H", "L"],
    "names": ["high", "low"],
    "volts": ["0.02", "3.31", "-0.05", "1.650", "3.3"],
    "port": ["0x0F", "0x0c", "0xA1", "0x00"],
}
ODD_LINES = [
    "",
    "# a remark",
    "time,scl,sda",
    "  ",
    "nan,1,1",
    "9,1",
    "oops,1,0",
    "1,2,3,4,5",
    "end of data",
    "0,0,0",
    '"1","0","1"',
]


@st.composite
def captures(draw: st.DrawFn) -> bytes:
    """Files of rows with rising times in one style, with odd lines here and there."""
    delimiter, point = draw(st.sampled_from([(",", "."), (";", ","), ("\t", "."), ("\t", ",")]))
    words = draw(st.sampled_from(list(LEVELS.values())))
    columns = draw(st.integers(1, 3))
    blanks = draw(st.sampled_from([[], [], ["", ""], ["", "nan"]]))
    decimals = draw(st.sampled_from([0, 3, 6, 9, 11]))
    style = draw(st.sampled_from(["fixed", "short", "exponent", "padded"]))
    count = draw(st.integers(1, 30))
    steps = draw(st.lists(st.integers(0, 3 * 10**decimals), min_size=count, max_size=count))
    start = draw(st.sampled_from([0, -5, 8, 9, 98, 2100, 1_700_000_000])) * 10**decimals
    names = ["scl", "sda", "other"][:columns]
    quote = draw(st.sampled_from(["", "", '"']))
    lines = [delimiter.join(["time", *names])] if draw(st.booleans()) else []
    for at in np.cumsum([start, *steps]).tolist():
        cells = [draw(st.sampled_from([*words, *blanks])) for _ in names]
        cells = [written(at, decimals, style).replace(".", point), *cells]
        lines.append(delimiter.join(f"{quote}{cell}{quote}" for cell in cells))
        if draw(st.integers(0, 20)) == 0:
            lines.append(draw(st.sampled_from(ODD_LINES)).replace(",", delimiter))
    ending = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    text = ending.join(lines) + draw(st.sampled_from(["", ending]))
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-be"])))


def written(value: int, decimals: int, style: str) -> str:
    """A number of `10**-decimals` as an instrument may write it."""
    sign, digits = "-" * (value < 0), str(abs(value)).rjust(decimals + 1, "0")
    whole, fraction = digits[: len(digits) - decimals], digits[len(digits) - decimals :]
    if style == "exponent":
        mantissa = digits.lstrip("0") or "0"
        power = len(mantissa) - 1 - decimals
        return f"{sign}{mantissa[0]}.{mantissa[1:] or '0'}e{power:+03d}"
    if style == "short":
        fraction = fraction.rstrip("0")
    if style == "padded":
        whole = whole.rjust(12, "0")
    return f"{sign}{whole}.{fraction}" if fraction else f"{sign}{whole}"


def small_blocks(data: bytes, cuts: list[int]) -> Outcome:
    """What a reader gives whose blocks are so small that short files have many."""
    with (
        patch.object(delimited, "HEAD_BYTES", 60),
        patch.object(delimited, "BLOCK_BYTES", 40),
        patch.object(delimited, "PIECE_BYTES", 90),
        patch.object(delimited, "LONGEST_LINE", 400),  # what a file of CR alone waits for
    ):
        return read(data, cuts)


@given(data=captures(), cuts=st.lists(st.integers(0, 900), max_size=12))
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_edges_do_not_depend_on_how_the_file_is_cut(data: bytes, cuts: list[int]) -> None:
    assert small_blocks(data, cuts) == small_blocks(data, [])


@given(data=captures())
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_edges_are_the_same_when_bytes_come_one_at_a_time(data: bytes) -> None:
    assert small_blocks(data, list(range(len(data)))) == small_blocks(data, [])


@given(data=captures(), runs=st.sampled_from([0, 2, 1000]), rows=st.sampled_from([40, 200, 131072]))
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_the_fast_way_equals_the_careful_way(data: bytes, runs: int, rows: int) -> None:
    with (
        patch.object(delimited_blocks, "_FIRST_RUN", 3),
        patch.object(delimited_blocks, "_MOST_SHORT_RUNS", runs),
        patch("decoders.captures.delimited_template.MATRIX_BYTES", rows),
    ):
        fast = read(data, [])
    with patch.object(delimited_blocks, "shape_of", lambda line, layout: None):
        careful = read(data, [])
    assert fast == careful
