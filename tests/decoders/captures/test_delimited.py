"""Delimited captures as instruments write them: one test a habit."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pytest

from decoders.captures.delimited import DelimitedReader, looks_delimited
from decoders.captures.delimited_cells import records_of, split_cells
from decoders.captures.edges import Edges


@dataclass(frozen=True)
class Read:
    channels: tuple[str, ...]
    rows: list[tuple[int, int]]  # time in ns and level word
    until_ns: int
    remarks: str
    period_ns: float | None


def read(text: str | bytes, **options: object) -> Read:
    reader = DelimitedReader("wire.csv", **options)  # type: ignore[arg-type]
    data = text.encode() if isinstance(text, str) else text
    blocks: list[Edges] = [*reader.feed(data), *reader.finish()]
    assert reader.stopped is None
    rows = [
        (int(t), int(level))
        for block in blocks
        for t, level in zip(block.t_ns, block.levels, strict=True)
    ]
    assumed = reader.assumed
    return Read(
        reader.channels,
        rows,
        blocks[-1].until_ns,
        "\n".join(assumed.remarks),
        assumed.sample_period_ns,
    )


THREE = [(12_500, 3), (15_000, 1), (17_500, 0)]  # the rows that the next captures all say


@pytest.mark.parametrize(
    "text",
    [
        "Time [s],scl,sda\n0.0000125,1,1\n0.000015,1,0\n0.0000175,0,0\n",
        "Time [s],scl,sda\r\n0.0000125,1,1\r\n0.000015,1,0\r\n0.0000175,0,0\r\n",
        "Time [s],scl,sda\r0.0000125,1,1\r0.000015,1,0\r0.0000175,0,0\r",
        "Time [s],scl,sda\r0.0000125,1,1\r\n0.000015,1,0\n0.0000175,0,0",
        "Time [s];scl;sda\n0,0000125;1;1\n0,000015;1;0\n0,0000175;0;0\n",
        "Time [s]\tscl\tsda\n0,0000125\t1\t1\n0,000015\t1\t0\n0,0000175\t0\t0\n",
        "time_s|scl|sda\n0.0000125|1|1\n0.000015|1|0\n0.0000175|0|0\n",
        "time_s scl sda\n0.0000125 1 1\n0.000015  1 0\n 0.0000175 0 0\n",
        "Time (ms),scl,sda\n0.0125,1,1\n0.015,1,0\n0.0175,0,0\n",
        "Time / us,scl,sda\n12.5,1,1\n15,1,0\n17.5,0,0\n",
        "Time (\u00b5s),scl,sda\n12.5,1,1\n15,1,0\n17.5,0,0\n",
        "Time (\u03bcs),scl,sda\n12.5,1,1\n15,1,0\n17.5,0,0\n",
        "time_ns,scl,sda\n12500,1,1\n15000,1,0\n17500,0,0\n",
        "time,scl,sda\n12500,1,1\n15000,1,0\n17500,0,0\n",
        "microseconds,scl,sda\n12.5,1,1\n15,1,0\n17.5,0,0\n",
        "Time in ps,scl,sda\n12500000,1,1\n15000000,1,0\n17500000,0,0\n",
        "x-axis,scl,sda\nms,V,V\n0.0125,1,1\n0.015,1,0\n0.0175,0,0\n",
        "time,scl,sda\ns,,\n0.0000125,1,1\n0.000015,1,0\n0.0000175,0,0\n",
        "time,scl,sda\n1.25E-05,1,1\n1.5e-5,1,0\n+1.75e-05,0,0\n",
        "time;scl;sda\n1,25E-05;1;1\n1,5E-05;1;0\n1,75E-05;0;0\n",
        "scl,Time [s],sda\n1,0.0000125,1\n1,0.000015,0\n0,0.0000175,0\n",
        "scl,sda,Time [s]\n1,1,0.0000125\n1,0,0.0000150\n0,0,0.0000175\n",
        "time,scl,sda\n0.0000125,1.0,1.0\n0.000015,1.0,0.0\n0.0000175,0.0,0.0\n",
        "time,scl,sda\n0.0000125,true,TRUE\n0.000015,True,false\n0.0000175,false,false\n",
        "time,scl,sda\n0.0000125,H,H\n0.000015,H,L\n0.0000175,L,L\n",
        "time,scl,sda\n0.0000125,high,High\n0.000015,high,low\n0.0000175,low,LOW\n",
        "Time [s],scl [V],sda [V]\n0.0000125,3.29,3.31\n0.000015,3.3,0.02\n0.0000175,0.1,-0.02\n",
        '"Time [s]","scl","sda"\n"0.0000125","1","1"\n"0.000015","1","0"\n"0.0000175","0","0"\n',
        'time,scl,sda\n"0,0000125",1,1\n"0,000015",1,0\n"0,0000175",0,0\n',
        "time,scl,sda,\n0.0000125,1,1,\n0.000015,1,0,\n0.0000175,0,0,\n",
        "time,scl,sda\n0.0000125,1,1,\n0.000015,1,0,\n0.0000175,0,0,\n",
        "time,scl,sda\n0.0000125, 1, 1\n0.000015, 1, 0\n0.0000175, 0, 0\n",
        "time,scl,sda\n0.0000125,1,1\n\n0.000015,1,0\n# paused\n0.0000175,0,0\n\n",
        "time,scl,sda\n0.0000125,1,1\n0.000015,1,0\n0.0000175,0,0",
        "time,scl,sda\n0.0000125,1,1\n0.000015,1,1\n0.000015,1,0\n0.0000175,0,0\n0.0000175,0,0\n",
        "# taken on the bench\n#time,scl,sda\n0.0000125,1,1\n0.000015,1,0\n0.0000175,0,0\n",
        "0.0000125,1,1\n0.000015,1,0\n0.0000175,0,0\n",
        "00:00:00.0000125,1,1\n00:00:00.000015,1,0\n00:00:00.0000175,0,0\n",
        "time,scl,sda\n"
        "1970-01-01T00:00:00.0000125Z,1,1\n1970-01-01 00:00:00.000015,1,0\n"
        "1970-01-01T01:00:00.0000175+01:00,0,0\n",
    ],
)
def test_every_habit_of_instruments_gives_the_same_rows(text: str) -> None:
    got = read(text)
    assert got.rows == THREE
    assert got.until_ns == 17_500
    assert looks_delimited(text.encode())


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]
)
def test_encodings_with_and_without_a_mark_are_told(encoding: str) -> None:
    text = "Time (\u00b5s),scl,sda\r\n12.5,1,1\r\n15,1,0\r\n17.5,0,0\r\n"
    data = text.encode(encoding)
    assert read(data).rows == THREE
    assert looks_delimited(data)


def test_utf16_of_the_big_order_with_a_mark_is_read() -> None:
    text = "\ufefftime_us,scl,sda\n12.5,1,1\n15,1,0\n17.5,0,0\n"
    assert read(text.encode("utf-16-be")).rows == THREE


def test_a_preamble_is_passed_over_and_its_rate_taken() -> None:
    got = read(
        "Bench capture,second shift\nDate: 2024-05-01 12:00:00\nSample rate: 2 MHz\nChannels,2\n\n"
        "; remark\nSample,scl,sda\n0,1,1\n1,1,1\n3,1,0\n"
    )
    assert got.rows == [(0, 3), (1500, 1)]
    assert got.period_ns == 500.0


@pytest.mark.parametrize(
    ("line", "period_ns"),
    [
        ("# rate 4000000 Hz", 250),
        ("Sample rate: 2 MHz", 500),
        ("Sample rate,2000000", 500),
        ("Sampling frequency = 500 kS/s", 2000),
        ("Samplerate: 1e6 Hz", 1000),
        ("Sample period: 250 ns", 250),
        ("Sample interval,2.5E-07", 250),
        ("Time step: 0.5 \u00b5s", 500),
    ],
)
def test_stated_rates_and_periods_are_understood(line: str, period_ns: int) -> None:
    got = read(f"{line}\nsample,scl,sda\n0,1,1\n1,1,0\n5,0,0\n")
    assert got.rows == [(0, 3), (period_ns, 1), (5 * period_ns, 0)]


@pytest.mark.parametrize("rate", [3_000_000, "3 MHz", Fraction(3_000_000), 3e6])
def test_sample_numbers_of_an_odd_rate_are_rounded_one_by_one(rate: object) -> None:
    numbers = [0, 1, 2, 3, 1_000_000_004]
    text = "sample,scl\n" + "".join(f"{n},{n % 2}\n" for n in numbers)
    got = read(text, sample_rate_hz=rate)
    assert [t for t, _ in got.rows] == [0, 333, 667, 1000, 333_333_334_667]
    assert "rounded to the nearest" in got.remarks


def test_sample_numbers_may_start_before_the_trigger() -> None:
    got = read("sample,scl\n-3,1\n-1,0\n1,1\n", sample_rate_hz=3_000_000)
    assert got.rows == [(-1000, 1), (-333, 0), (333, 1)]


def test_rows_without_a_time_are_samples_of_the_stated_rate() -> None:
    got = read("scl,sda\n1,1\n1,1\n1,0\n0,0\n", sample_rate_hz=1_000_000)
    assert got.rows == [(0, 3), (2000, 1), (3000, 0)]
    assert "each row is one sample" in got.remarks


def test_the_unit_and_the_column_of_the_time_can_be_named() -> None:
    text = "host time,device,scl\n1,5,1\n2,7,0\n"
    assert read(text, time_column="device", time_unit="us").rows == [(5000, 1), (7000, 0)]


def test_a_delimiter_can_be_named() -> None:
    got = read("time:scl:sda\n12500:1:1\n15000:1:0\n17500:0:0\n", delimiter=":")
    assert got.rows == THREE


def test_times_before_the_trigger_are_negative() -> None:
    got = read("Time [s],scl\n-0.000001500,1\n-0.000000001,0\n0.000000000,1\n")
    assert got.rows == [(-1500, 1), (-1, 0), (0, 1)]


def test_digits_finer_than_a_nanosecond_are_rounded_and_it_is_said() -> None:
    got = read("Time [ns],scl\n-1.5,1\n-0.4,0\n0.4999,1\n1.5,0\n2.51,1\n")
    assert [t for t, _ in got.rows] == [-2, 0, 0, 2, 3]
    assert "times finer than 1 ns are rounded to the nearest ns" in got.remarks


def test_columns_that_are_no_levels_are_left_out_and_named() -> None:
    got = read("time,scl,temperature,sda,remark\n0.1,1,21.5,1,ok\n0.2,0,21.7,1,well\n")
    assert got.channels == ("scl", "sda")
    assert "columns not read: temperature, remark" in got.remarks


def test_a_sample_number_beside_a_time_is_left_out() -> None:
    got = read("sample,time_us,scl\n0,5,1\n1,6,0\n")
    assert got.rows == [(5000, 1), (6000, 0)]


def test_the_threshold_lies_half_way_between_the_levels_seen() -> None:
    volts = ["5.0", "0.2", "5.0", "0.2", "2.5", "2.7", "0.2", "5.0", "0.2", "5.0"]
    got = read("Time [s],scl [V]\n" + "".join(f"{k},{v}\n" for k, v in enumerate(volts)))
    assert got.rows == [
        (k * 10**9, level)
        for k, level in ((0, 1), (1, 0), (2, 1), (3, 0), (5, 1), (6, 0), (7, 1), (8, 0), (9, 1))
    ]
    assert "threshold: 2.6 V, half way between the levels seen at the start" in got.remarks


@pytest.mark.parametrize(
    ("unit", "cells", "level", "threshold"),
    [
        ("V", ("3.31", "3.28", "3.30"), 1, "1.655 V"),
        ("V", ("0.02", "0.03", "0.02"), 0, "0.5 V"),
        ("V", ("0.00", "0.05", "-0.03"), 0, "0.5 V"),
        ("mV", ("1790", "1800", "1810"), 1, "0.905 V"),
        ("mV", ("20", "-35", "60"), 0, "0.5 V"),
    ],
)
def test_lines_of_one_level_are_high_or_low_by_their_volts(
    unit: str, cells: tuple[str, ...], level: int, threshold: str
) -> None:
    rows = "".join(f"{k},{cell},{cell}\n" for k, cell in enumerate(cells))
    got = read(f"Time [us],scl [{unit}],sda [{unit}]\n{rows}")
    assert got.rows == [(0, 3 * level)]
    assert f"threshold: {threshold}, for only one level is seen at the start" in got.remarks


def test_a_single_spike_does_not_move_the_threshold() -> None:
    volts = ["3.30", "0.02"] * 20
    volts[11] = "-7.5"
    rows = "".join(f"{k},{cell}\n" for k, cell in enumerate(volts))
    got = read(f"Time [us],scl [V]\n{rows}")
    assert [level for _, level in got.rows] == [1, 0] * 20


def test_a_threshold_can_be_given_and_is_met_at_or_above() -> None:
    text = "Time [s],scl [mV]\n0,3300\n1,1199\n2,1200\n3,-5\n"
    got = read(text, threshold_volts=1.2)
    assert got.rows == [(0, 1), (10**9, 0), (2 * 10**9, 1), (3 * 10**9, 0)]
    assert "threshold: 1.2 V, as told" in got.remarks


def test_a_line_at_nought_volts_all_the_while_is_a_line_of_volts() -> None:
    got = read("Time [s],scl,sda\n0,3.31,0.00\n1,0.02,0.00\n2,3.30,0.00\n")
    assert got.channels == ("scl", "sda")
    assert [level for _, level in got.rows] == [1, 0, 1]


@pytest.mark.parametrize(
    "cells", [("0x0F", "0x0e", "0x00"), ("0F", "0E", "00"), ("0FH", "0EH", "00h")]
)
def test_a_hex_port_is_unpacked_to_channels(cells: tuple[str, ...]) -> None:
    got = read("time_us,port\n" + "".join(f"{k},{cell}\n" for k, cell in enumerate(cells)))
    assert got.channels == tuple(f"port[{bit}]" for bit in range(8))
    assert got.rows == [(0, 15), (1000, 14), (2000, 0)]


def test_a_port_in_decimal_is_unpacked_to_channels() -> None:
    got = read("time_us,port\n0,15\n1,3\n2,0\n")
    assert got.channels == ("port[0]", "port[1]", "port[2]", "port[3]")
    assert [level for _, level in got.rows] == [15, 3, 0]


def test_sixty_four_channels_fit() -> None:
    names = ",".join(f"line{k}" for k in range(64))
    ones, last = ",".join(["1"] * 64), ",".join(["0"] * 63 + ["1"])
    reader = DelimitedReader("wide.csv")
    blocks = [*reader.feed(f"time_us,{names}\n1,{ones}\n2,{last}\n".encode()), *reader.finish()]
    assert blocks[0].levels.dtype == np.uint64
    assert blocks[0].levels.tolist() == [2**64 - 1, 2**63]


@pytest.mark.parametrize(
    ("count", "kind"), [(8, np.uint8), (9, np.uint16), (17, np.uint32), (33, np.uint64)]
)
def test_level_words_are_the_narrowest(count: int, kind: type) -> None:
    names, ones = ",".join(f"n{k}" for k in range(count)), ",".join(["1"] * count)
    reader = DelimitedReader("wide.csv")
    blocks = [*reader.feed(f"time_us,{names}\n1,{ones}\n".encode()), *reader.finish()]
    assert blocks[0].levels.dtype == kind
    assert blocks[0].levels.tolist() == [2**count - 1]


def test_empty_cells_leave_levels_as_they_were_and_it_is_said() -> None:
    got = read("time_us,scl,sda\n0,1,1\n1,,0\n2,0,\n3,1,1\n")
    assert got.rows == [(0, 3), (1000, 1), (2000, 0), (3000, 3)]
    assert "empty cells are taken as unchanged levels (2 times, first line 3)" in got.remarks


def test_overflow_words_leave_levels_as_they_were_and_it_is_said() -> None:
    got = read("time_us,scl [V]\n0,3.3\n1,OVF\n2,0.1\nNaN,3.3\n3,---\n4,Inf\n5,-inf\n6,3.2\n")
    assert got.rows == [(0, 1), (2000, 0), (6000, 1)]
    assert "overflow words are taken as unchanged levels (4 times, first line 3)" in got.remarks
    assert "rows without a time are left out (line 5)" in got.remarks


def test_a_footer_is_left_out_and_named() -> None:
    got = read("time_us,scl\n0,1\n1,0\nEnd of data\nTotal rows: 2, all good\n")
    assert got.rows == [(0, 1), (1000, 0)]
    assert "footer left out: 2 lines from line 4" in got.remarks


def test_a_header_repeated_in_the_middle_is_noticed() -> None:
    got = read("time_us,scl\n0,1\n1,0\ntime_us,scl\n2,1\n")
    assert got.rows == [(0, 1), (1000, 0), (2000, 1)]
    assert "the header is repeated (line 4)" in got.remarks


def test_records_are_those_of_rfc_4180() -> None:
    """Section 2: quotes round commas, line breaks and quotes, and a quote doubled inside them."""
    text = 'aaa,"b""bb","c\r\ncc"\r\n'
    (record,) = records_of(text)
    cells = [cell for _, cell in split_cells(record.text, ",")]
    assert (cells, record.end) == (["aaa", 'b"bb', "c\r\ncc"], len(text))


def test_quoted_cells_of_rows_may_hold_commas_quotes_and_line_breaks() -> None:
    got = read('time_us,note,scl\r\n1,"a,b",1\r\n2,"say ""ah""",0\r\n3,"c\r\nd",1')
    assert got.rows == [(1000, 1), (2000, 0), (3000, 1)]


def test_a_preamble_above_rows_without_a_header_is_no_header() -> None:
    got = read("Bench,capture\nStart time,12:30:00\n0.1,1,1\n0.2,1,0\n")
    assert (got.channels, [level for _, level in got.rows]) == (("column2", "column3"), [3, 1])


def test_a_header_cell_may_hold_a_line_break_in_quotes() -> None:
    got = read('"Time\n[us]","scl ""clock""",sda\n1,1,1\n2,0,1\n')
    assert got.channels == ('scl "clock"', "sda")
    assert got.rows == [(1000, 3), (2000, 2)]


def test_channels_whose_own_times_are_the_same_are_read_together() -> None:
    got = read("Time 1,scl,Time 2,sda\n0.1,1,0.1,1\n0.2,0,0.2,1\n")
    assert got.channels == ("scl", "sda")
    assert got.rows == [(10**8, 3), (2 * 10**8, 2)]


def test_dates_without_a_zone_are_taken_as_utc_and_it_is_said() -> None:
    got = read("when,scl\n2024-02-29 23:59:59.999999999,1\n2024-03-01 00:00:00,0\n")
    assert got.rows == [(1_709_251_199_999_999_999, 1), (1_709_251_200_000_000_000, 0)]
    assert "times without a zone are taken as UTC" in got.remarks


def test_channel_names_lose_their_units_and_are_unique() -> None:
    got = read("Time [s],Channel 1 / V,Channel 1 (V)\n0,0.1,3.2\n1,3.3,3.2\n")
    assert got.channels == ("Channel 1", "Channel 1~2")


def test_steady_steps_with_repeated_levels_are_samples() -> None:
    assert read("time_us,scl\n0,1\n1,1\n2,0\n3,0\n4,0\n").period_ns == 1000.0
    assert read("time_us,scl\n0,1\n1,0\n2,1\n3,0\n4,1\n").period_ns is None


def test_only_rows_that_change_are_given_but_the_end_is_known() -> None:
    got = read("time_us,scl\n0,1\n1,1\n2,0\n3,0\n9,0\n")
    assert got.rows == [(0, 1), (2000, 0)]
    assert got.until_ns == 9000


@pytest.mark.parametrize("base_s", [0, 2_100, 1_700_000_000, -1_700_000_000])
def test_nanoseconds_are_exact_at_any_offset(base_s: int) -> None:
    rng = np.random.default_rng(5)
    t = base_s * 10**9 + np.cumsum(rng.integers(1, 10**6, 30_000))
    levels = np.arange(len(t)) % 2
    rows = []
    for ns, level in zip(t.tolist(), levels.tolist(), strict=True):
        whole, fraction = divmod(abs(ns), 10**9)
        rows.append(f"{'-' * (ns < 0)}{whole}.{fraction:09d},{level}\n")
    got = read("Time [s],scl\n" + "".join(rows))
    assert [ns for ns, _ in got.rows] == t.tolist()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[00:00:01.5] boot, ok\n[00:00:02.5] ready, ok\n",
        '{"t": 1, "topic": "a"}\n{"t": 2, "topic": "b"}\n',
        "$timescale 1 ns $end\n",
        "12 boot ok\n15 ready\n",
        "hello\nworld\n",
        "1\n2\n3\n",
        "\x00\x01\x02,1\n",
    ],
)
def test_other_files_do_not_look_delimited(text: str) -> None:
    assert not looks_delimited(text.encode())


def test_a_header_alone_looks_delimited() -> None:
    assert looks_delimited(b"time,scl,sda\n")


@pytest.mark.parametrize(
    "options",
    [{"delimiter": ";;"}, {"time_unit": "hours"}, {"sample_rate_hz": 0}, {"sample_rate_hz": "x"}],
)
def test_impossible_options_are_a_mistake_of_the_caller(options: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="not"):
        DelimitedReader("wire.csv", **options)  # type: ignore[arg-type]
