from __future__ import annotations

import numpy as np
import pytest

from decoders.captures.delimited import DelimitedReader
from decoders.captures.edges import Assumed, CaptureReader, Edges
from decoders.captures.vcd import VcdReader

CSV = b"time_ns,scl,sda\n0,1,1\n5,1,0\n9,1,0\n"
VCD = (
    b"$timescale 1 ns $end $var wire 1 ! scl $end $var wire 1 ? sda $end\n"
    b"$enddefinitions $end\n#0\n1!\n1?\n#5\n0?\n#9\n"
)


@pytest.mark.parametrize(
    ("reader", "content"),
    [(DelimitedReader("a.csv"), CSV), (VcdReader("a.vcd"), VCD)],
    ids=["delimited", "VCD"],
)
def test_every_reader_gives_the_same_edges_of_the_same_lines(
    reader: CaptureReader, content: bytes
) -> None:
    blocks = [*reader.feed(content), *reader.finish()]
    assert (reader.channels, reader.stopped) == (("scl", "sda"), None)
    t_ns = np.concatenate([block.t_ns for block in blocks])
    levels = np.concatenate([block.levels for block in blocks])
    assert (t_ns.tolist(), levels.tolist()) == ([0, 5], [3, 1])
    assert (str(t_ns.dtype), str(levels.dtype)) == ("int64", "uint8")
    assert [block.begins for block in blocks] == [True, *[False] * (len(blocks) - 1)]
    assert blocks[-1].until_ns == 9


def test_blocks_are_told_apart_by_themselves() -> None:
    none = np.empty(0, np.int64), np.empty(0, np.uint8)
    assert Edges(*none, False, 0) != Edges(*none, False, 0)


def test_what_one_reader_assumed_is_not_what_another_did() -> None:
    one, other = Assumed(), Assumed()
    one.remarks.append("times without a zone are taken as UTC")
    assert other.remarks == []
