"""Shapes of lines, held equal to the careful way through a row."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.delimited_channels import Options
from decoders.captures.delimited_layout import Layout
from decoders.captures.delimited_rows import RowReader
from decoders.captures.delimited_shape import Shape, shape_of
from tests.decoders.captures.delimited_made import layout

SECONDS = layout("Time [s],scl,sda\n0.5,1,1\n0.75,1,0\n")
VOLTS = layout("time_us;scl (V);port\n0,5;3,31;0x0\n1,5;0,02;0xF\n")
CLOCK = layout("time,scl,sda\n00:00:01.5,1,1\n00:00:02.5,0,1\n")
DATE = layout("time,scl,sda\n2024-01-01T00:00:01.5Z,1,1\n2024-01-01T00:00:02.5Z,0,1\n")


def shape(line: str, of: Layout = SECONDS) -> Shape:
    found = shape_of(line.encode(), of)
    assert found is not None
    return found


def row_by_shape(found: Shape, line: bytes) -> tuple[int, int]:
    """Time and level word of a line of the shape, digit by digit."""
    t_ns = found.rest_ns + sum((line[d.at] - 48) * 10**d.power for d in found.digits)
    t_ns += bool(found.below) and line[found.below[0]] >= 53  # half away from zero
    word = found.word
    for level in found.levels:
        text = bytes(line[at] for at in level.at)
        value = int(text, 16 if level.kind == "hex" else 10)
        if level.kind == "volts":
            value = value <= level.limit if level.negative else value >= level.limit
        word |= int(value) << level.bit
    return -t_ns if found.negative else t_ns, word


@pytest.mark.parametrize(
    ("of", "line"),
    [
        (SECONDS, "0.000012500,1,0\n"),
        (SECONDS, "-1.5,0,1\n"),
        (SECONDS, "1.25E-05,1,0\r\n"),
        (SECONDS, "0.00000000149999,high,0\n"),
        (SECONDS, '"0.5","1","0"\n'),
        (VOLTS, "12,75;3,305;0xA\n"),
        (VOLTS, "12,75;-0,305;0xb\n"),
        (CLOCK, "01:02:03.000000004,1,0\n"),
        (DATE, "2024-02-29T23:59:58.123456789Z,1,0\n"),
    ],
)
def test_a_shape_says_what_the_careful_way_says(of: Layout, line: str) -> None:
    careful = RowReader("wire.csv", of).row(line.rstrip("\r\n"), 9, 9, 0)
    assert row_by_shape(shape(line, of), line.encode()) == careful


@settings(deadline=None)
@given(ns=st.integers(0, 10**12), levels=st.tuples(st.integers(0, 1), st.integers(0, 1)))
def test_one_look_is_enough_for_all_lines_of_the_shape(ns: int, levels: tuple[int, int]) -> None:
    line = f"{ns // 10**9:04d}.{ns % 10**9:09d},{levels[0]},{levels[1]}\n".encode()
    found = shape("0000.000000000,1,1\n")
    free = zip(line, found.template, found.most, strict=True)
    assert all((byte ^ fixed) <= most for byte, fixed, most in free)
    assert row_by_shape(found, line) == (ns, levels[0] | levels[1] << 1)


def test_bytes_that_may_not_vary_are_fixed() -> None:
    found = shape("0.50,1,low\n")
    assert found.template == b"0.00,0,low\n"
    assert [most for most in found.most if most] == [9, 9, 9, 1]
    assert (found.word, found.carried, found.empty) == (0, 0, 0)


def test_empty_cells_are_carried_from_the_row_before() -> None:
    found = shape("0.50,,1\n")
    assert (found.carried, found.empty) == (0b01, 1)


def test_numbered_rows_have_no_time() -> None:
    numbered = layout("scl,sda\n1,1\n0,1\n", Options(sample_rate_hz=Fraction(10**6)))
    found = shape("1,0\n", numbered)
    assert (found.has_time, found.digits) == (False, ())


@pytest.mark.parametrize(
    "line",
    [
        "# remark\n",
        "\n",
        "0.5,1\n",
        "0.5,1,1,1\n",
        "0.5,ovf,1\n",
        "0.5,2,1\n",
        "x.5,1,1\n",
        "0.5,1\r,1\n",
        "1e99,1,1\n",
        "0." + "5" * 31 + ",1,1\n",
        "0.5,1," + " " * 600 + "1\n",
        '"0.5" x,1,1\n',
    ],
)
def test_what_must_be_read_with_care_has_no_shape(line: str) -> None:
    assert shape_of(line.encode(), SECONDS) is None


def test_no_time_of_a_shape_leaves_64_bits() -> None:
    found = shape("8000000000.5,1,1\n")
    assert (found.rest_ns, found.most[0]) == (8 * 10**18, 0)  # the digit worth most stands fixed
    assert found.rest_ns + sum(9 * 10**digit.power for digit in found.digits) < 2**63
    assert shape_of(b"9000000000.5,1,1\n", SECONDS) is None
