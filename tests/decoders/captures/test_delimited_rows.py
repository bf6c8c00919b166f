from __future__ import annotations

from fractions import Fraction

import pytest

from decoders.captures.delimited_channels import Options
from decoders.captures.delimited_rows import EMPTY, FINER, OVERFLOWS, RowError, RowReader
from tests.decoders.captures.delimited_made import PLAIN, layout


def reader(text: str = PLAIN, options: Options | None = None) -> RowReader:
    return RowReader("wire.csv", layout(text, options))


def test_a_row_is_a_time_and_a_level_word() -> None:
    assert reader().row("1500,0,1", 7, 3, 0) == (1500, 0b10)


@pytest.mark.parametrize("text", ["", "   ", "# remark", "; remark", "\x1a", "time_ns,scl,sda"])
def test_lines_that_are_no_rows_are_skipped(text: str) -> None:
    assert reader().row(text, 7, 3, 0) is None


def test_cells_without_a_value_keep_the_level_before() -> None:
    rows = reader()
    assert [rows.row("5,,0", 7, 0, 0b11), rows.row("6,0,ovf", 8, 0, 0b11)] == [
        (5, 0b01),
        (6, 0b10),
    ]
    assert rows.odd.remarks() == [f"{EMPTY} (line 7)", f"{OVERFLOWS} (line 8)"]


def test_a_row_whose_time_overflowed_is_left_out_and_counted() -> None:
    rows = reader()
    assert [rows.row(f"{word},1,1", 9 + k, 0, 0) for k, word in enumerate(["ovf", ""])] == [
        None,
        None,
    ]
    assert rows.odd.remarks() == ["rows without a time are left out (2 times, first line 9)"]


def test_times_finer_than_a_ns_are_rounded_and_told_once() -> None:
    rows = reader("Time [s],scl\n0.5,1\n0.75,0\n")
    assert rows.row("0.0000000015,1", 3, 0, 0) == (2, 1)
    rows.row("0.0000000025,1", 4, 0, 0)
    assert rows.odd.remarks() == [FINER]


def test_rows_without_a_time_are_numbered() -> None:
    rows = reader("scl,sda\n1,1\n0,1\n", Options(sample_rate_hz=Fraction(3)))
    times = [found[0] for k in range(4) if (found := rows.row("1,1", k, k, 0))]
    assert times == [0, 333_333_333, 666_666_667, 1_000_000_000]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("x5,1,1", "wire.csv:7:1: no time: 'x5'"),
        ("1.000.000,1,1", "wire.csv:7:1: a thousands mark: '1.000.000'"),
        ("5,1", "wire.csv:7:4: missing cells: 2 of 3"),
        ("5,1,1,1", "wire.csv:7:7: too many cells: 4, not 3"),
        ("5, 2,1", "wire.csv:7:3: no level for scl: '2'"),
        ("99999999999999999999,1,1", "wire.csv:7:1: time '99999999999999999999' does not fit"),
    ],
)
def test_a_bad_cell_is_told_with_its_line_and_column(text: str, message: str) -> None:
    with pytest.raises(RowError) as caught:
        reader().row(text, 7, 3, 0)
    assert str(caught.value).startswith(message)
    assert "Columns found: time, scl, sda." in str(caught.value)


@pytest.mark.parametrize(
    ("text", "texty", "is_data"), [("End of capture", True, False), ("5,1", False, True)]
)
def test_words_may_be_a_footer_and_half_a_row_is_none(
    text: str, texty: bool, is_data: bool
) -> None:
    with pytest.raises(RowError) as caught:
        reader().row(text, 7, 3, 0)
    assert (caught.value.texty, caught.value.is_data) == (texty, is_data)
