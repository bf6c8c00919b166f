from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.vcd_vectors import VectorLines, vector_lines
from tests.decoders.captures.vcd_made import PORT0, PORT2, SCL, Dump

CODES = [("!", '"', "#", "$"), ("n0", "n1", "n2", "n3")]


def read(dump: Dump, lines: list[str]) -> VectorLines:
    raw = ("\n".join(lines) + "\n").encode()
    text = np.frombuffer(bytes(8) + raw + bytes(8), np.uint8)
    ends = np.flatnonzero(text == 0x0A)
    starts = np.concatenate([[8], ends[:-1] + 1])
    blanks = np.array([sum(b <= 0x20 for b in f"{line}\n".encode()) for line in lines], np.int32)
    return vector_lines(text, starts, ends, blanks, dump.tables())


def test_digits_that_are_lines_give_levels() -> None:
    found = read(Dump().begin(), ["b0101 #", "B100 #", "b1 !", "r41.7 $", "sRUN $"])
    assert found.readable.tolist() == [True] * 5
    assert found.mask.tolist() == [PORT2 | PORT0, PORT2 | PORT0, SCL, 0, 0]
    assert found.want.tolist() == [PORT2 | PORT0, PORT2, SCL, 0, 0]


@pytest.mark.parametrize(
    "line",
    [
        "b01  #",  # two blanks
        "b01\t#",
        "b #",
        "b0x01 #",  # a digit that is a line is unknown
        "b0z #",  # a value not told of yet
        "b01 %",  # a code that was not declared
        "1 #",
    ],
)
def test_whatever_is_odd_is_left_to_the_careful_way(line: str) -> None:
    found = read(Dump().begin(), ["b01 #", line, "b01 #"])
    assert found.readable.tolist() == [True, False, True]


def test_digits_that_are_no_lines_may_be_anything() -> None:
    found = read(Dump().begin(), ["bx0x1 #"])
    assert (found.readable.tolist(), found.want.tolist()) == ([True], [PORT0])


@pytest.mark.parametrize("codes", CODES)
@settings(deadline=None)
@given(values=st.lists(st.text("01z", min_size=1, max_size=6), min_size=1, max_size=8))
def test_vectors_are_what_the_careful_way_makes_of_them(
    codes: tuple[str, str, str, str], values: list[str]
) -> None:
    lines = [f"b{value} {codes[2]}" for value in values]
    met = [f"z{codes[0]}", f"0{codes[0]}"]  # z was told of
    dump = Dump(codes).begin(*met)
    found = read(dump, lines)
    expected = []
    for line in lines:
        dump.changes.take(f"{line}\n".encode())
        expected.append(dump.state.word & (PORT2 | PORT0))
    assert found.readable.all()
    assert found.want.tolist() == expected
