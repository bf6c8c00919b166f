from __future__ import annotations

from fractions import Fraction

import pytest

from decoders.captures.delimited_channels import Options, columns_found, filled, level_columns
from decoders.captures.delimited_levels import LevelColumn
from decoders.captures.delimited_table import find_table
from decoders.errors import CaptureError


def levels(
    text: str, options: Options | None = None
) -> tuple[tuple[LevelColumn, ...], tuple[str, ...], list[str]]:
    """Columns of levels, channels and remarks; the time is the first column."""
    remarks: list[str] = []
    found = level_columns(
        "wire.csv", find_table("wire.csv", text), 0, options or Options(), remarks
    )
    return *found, remarks


def test_columns_of_0_and_1_are_a_channel_each() -> None:
    columns, channels, remarks = levels("time_ns,scl,sda\n0,1,high\n5,0,low\n")
    assert columns == (LevelColumn(1, "logic", 0), LevelColumn(2, "logic", 1))
    assert (channels, remarks) == (("scl", "sda"), [])


def test_a_packed_port_is_a_channel_a_bit_and_the_next_column_goes_on_behind_it() -> None:
    columns, channels, _ = levels("time_ns,port,scl\n0,0x0,1\n5,0xF,0\n")
    assert columns == (LevelColumn(1, "hex", 0, 4), LevelColumn(2, "logic", 4))
    assert channels == ("port[0]", "port[1]", "port[2]", "port[3]", "scl")


def test_volts_become_levels_half_way_between_them() -> None:
    columns, _, remarks = levels("time_ns,scl (V)\n0,3.3\n5,0.1\n9,3.3\n12,0.1\n")
    assert [(column.kind, column.threshold) for column in columns] == [("volts", Fraction(17, 10))]
    assert remarks == ["threshold: 1.7 V, half way between the levels seen at the start"]


def test_a_threshold_that_was_told_is_in_volts_whatever_the_column_is_in() -> None:
    text = "time_ns,scl (mV)\n0,3300\n5,100\n"
    columns, _, remarks = levels(text, Options(threshold_volts=Fraction(2)))
    assert (columns[0].threshold, remarks) == (Fraction(2000), ["threshold: 2 V, as told"])


def test_numbers_beside_levels_are_not_read_and_that_is_told() -> None:
    _, channels, remarks = levels("time_ns,scl,fill\n0,1,41.7\n5,0,41.9\n")
    assert channels == ("scl",)
    assert remarks == ["columns not read: fill"]


def test_another_column_of_times_is_no_level() -> None:
    _, channels, _ = levels("time_ns,scl,sample\n0,1,0\n5,0,1\n")
    assert channels == ("scl",)


def test_overflow_words_are_no_cells_with_a_value() -> None:
    table = find_table("wire.csv", "time_ns,scl\n0,1\n5,ovf\n9,\n12,0\n")
    assert filled(table, 1) == ["1", "0"]
    assert columns_found(table) == "Columns found: time, scl."


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("time_ns,name\n0,left\n5,right\n9,0\n", "wire.csv:1: no column of levels"),
        (
            f"time_ns,{','.join(f'n{k}' for k in range(65))}\n0{',1' * 65}\n5{',0' * 65}\n",
            "wire.csv:1: 65 channels, and at most 64 can be read",
        ),
    ],
)
def test_no_level_and_too_many_are_refused(text: str, message: str) -> None:
    with pytest.raises(CaptureError) as caught:
        levels(text)
    assert str(caught.value).splitlines()[0] == message
