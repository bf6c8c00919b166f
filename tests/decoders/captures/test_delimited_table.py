from __future__ import annotations

from fractions import Fraction

import pytest

from decoders.captures.delimited_table import (
    SAMPLED_ROWS,
    Table,
    decoded_head,
    find_table,
    junk_in,
)
from decoders.errors import CaptureError


def table(text: str) -> Table:
    return find_table("wire.csv", text)


def test_the_table_stands_below_whatever_comes_before_it() -> None:
    text = "Cap line bench\nSample Rate: 2 MHz\n\nTime [s],scl,Level\n,,V\n0.5,1,3.3\n0.75,0,0.1\n"
    found = table(text)
    assert (found.header_line, found.data_line) == (4, 6)
    assert text[found.data_begin :].startswith("0.5,1,3.3")
    assert (found.header, found.units) == (("Time [s]", "scl", "Level"), ("s", "", "V"))
    assert found.rows == (("0.5", "1", "3.3"), ("0.75", "0", "0.1"))
    assert found.facts.rate_hz == Fraction(2_000_000)


def test_without_a_header_columns_are_numbered() -> None:
    found = table("0;1;1\n5;1;0\n")
    assert (found.delimiter, found.header_line, found.data_line) == (";", 0, 1)
    assert found.names == ("column1", "column2", "column3")


def test_names_that_stand_twice_are_told_apart() -> None:
    assert table("time_ns,a,a,,a\n0,1,1,1,1\n5,0,0,0,0\n").names == (
        "time",
        "a",
        "a~2",
        "column4",
        "a~3",
    )


def test_a_delimiter_at_the_end_of_each_row_makes_no_column() -> None:
    found = table("time_ns,scl,\n0,1,\n5,0,\n")
    assert (found.columns, found.trailing, found.rows[0]) == (2, True, ("0", "1"))


def test_a_header_may_stand_in_a_remark() -> None:
    found = table("# time_ns,scl,sda\n0,1,1\n5,0,0\n")
    assert found.header == ("time_ns", "scl", "sda")


def test_a_last_row_without_its_line_end_settles_nothing() -> None:
    assert table("time_ns,scl\n0,1\n5,0\n7,").rows == (("0", "1"), ("5", "0"))


def test_so_many_rows_settle_the_layout() -> None:
    rows = "".join(f"{k},{k % 2}\n" for k in range(SAMPLED_ROWS + 500))
    assert len(table(f"time_ns,scl\n{rows}").rows) == SAMPLED_ROWS


def test_good_rows_before_junk_are_kept() -> None:
    assert table("time_ns,scl\n0,1\n5,0\n7,\x00\x00\n").rows == (("0", "1"), ("5", "0"))
    assert (junk_in("0,1\n"), junk_in("0,\x001")) == (None, 2)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "wire.csv: the file is empty"),
        ("time_ns,scl,sda\n", "wire.csv:1: a header, but no row of data"),
        ("nothing here\nnor here\n", "wire.csv:1: no row of a time and levels"),
        ("\x7fELF\x01\x02", "wire.csv:1:1: this is not text: byte 0x7F"),
        ("time,scl\n0,5,1\n0,75,0\n", "wire.csv:2: 3 cells, but the header names 2 columns"),
    ],
)
def test_what_is_no_table_is_refused_with_its_place(text: str, message: str) -> None:
    with pytest.raises(CaptureError) as caught:
        table(text)
    assert str(caught.value).splitlines()[0] == message


def test_text_is_utf_8_or_an_8_bit_code_page() -> None:
    assert decoded_head("\u00b5s".encode()) == ("\u00b5s", "utf-8")
    assert decoded_head(b"\xb5s") == ("\u00b5s", "latin-1")
