from __future__ import annotations

from fractions import Fraction

import pytest

from decoders.captures.delimited_channels import Options
from decoders.captures.delimited_digits import TimeColumn
from decoders.errors import CaptureError
from tests.decoders.captures.delimited_made import layout


@pytest.mark.parametrize(
    ("header", "first", "time"),
    [
        ("Time [s],scl", "0.5", TimeColumn(0, "decimal", unit_power=9)),
        ("time_us,scl", "5", TimeColumn(0, "decimal", unit_power=3)),
        ("milliseconds,scl", "5", TimeColumn(0, "decimal", unit_power=6)),
        ("time,scl", "00:00:05.5", TimeColumn(0, "clock")),
        ("time,scl", "2024-01-01T00:00:05Z", TimeColumn(0, "date")),
    ],
)
def test_the_unit_of_time_stands_in_the_header_or_the_cells(
    header: str, first: str, time: TimeColumn
) -> None:
    assert layout(f"{header}\n{first},1\n{first},0\n").time == time


@pytest.mark.parametrize(
    ("cells", "power", "words"),
    [
        (["500", "750"], 0, "whole numbers are taken as ns"),
        (["0.5", "0.75"], 9, "numbers with a fraction are taken as s"),
    ],
)
def test_where_no_unit_is_stated_that_is_told(cells: list[str], power: int, words: str) -> None:
    found = layout("time,scl\n" + "".join(f"{cell},1\n" for cell in cells))
    assert found.time.unit_power == power
    assert found.remarks == (f"no time unit is stated: {words}",)


def test_what_the_user_says_goes_before_what_the_file_says() -> None:
    text = "Time [s],other,scl\n0.5,7,1\n0.75,8,0\n"
    assert layout(text, Options(time_column="other", time_unit="us")).time == TimeColumn(
        1, "decimal", unit_power=3
    )


def test_sample_numbers_take_the_rate_that_is_stated_above() -> None:
    found = layout("Sample Rate: 3 Hz\nsample,scl\n0,1\n1,0\n2,0\n")
    assert found.time == TimeColumn(0, "sample", period_ns=Fraction(10**9, 3))
    assert (
        found.remarks[1] == "a sample is no whole number of ns: each time is rounded to the nearest"
    )


def test_without_a_time_each_row_is_a_sample_of_the_rate_told() -> None:
    found = layout("scl,sda\n1,1\n0,1\n", Options(sample_rate_hz=Fraction(10**6)))
    assert found.time == TimeColumn(None, "row", period_ns=Fraction(1000))
    assert (found.channels, found.row_period_ns) == (("scl", "sda"), None)


def test_without_a_header_the_first_column_that_rises_is_the_time() -> None:
    found = layout("1,500,0\n0,750,0\n1,900,1\n")
    assert found.time.index == 1
    assert found.remarks[0] == "time column: column2 (the first whose values rise)"


@pytest.mark.parametrize(("changing", "period"), [(False, 10.0), (True, None)])
def test_rows_are_samples_where_steps_are_alike_and_levels_repeat(
    changing: bool, period: float | None
) -> None:
    rows = "".join(f"{k * 10},{k % 2 if changing else k // 8}\n" for k in range(16))
    found = layout(f"time_ns,scl\n{rows}")
    assert (found.sample_period_ns, found.row_period_ns) == (period, period)


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        ("scl,sda\n1,1\n0,1\n", Options(time_column="t"), "wire.csv:1: no column named 't'"),
        ("sample,scl\n0,1\n1,0\n", Options(), "wire.csv:1: sample numbers, but no sample rate"),
        ("5\n7\n", Options(), "wire.csv:1: only one column"),
        (
            "Time [s],a,Time [s],b\n0.5,1,0.6,1\n0.7,0,0.8,0\n",
            Options(),
            "wire.csv:1: channels with times of their own",
        ),
    ],
)
def test_a_table_without_a_time_for_all_is_refused(
    text: str, options: Options, message: str
) -> None:
    with pytest.raises(CaptureError) as caught:
        layout(text, options)
    assert str(caught.value).startswith(message)
