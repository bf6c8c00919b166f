"""Delimited captures that cannot be read, or only in part: where, what, and how to mend it."""

from __future__ import annotations

import re

import pytest

from decoders.captures.delimited import DelimitedReader
from decoders.captures.edges import Edges
from decoders.errors import CaptureError, Place

HEAD = "Time [us],scl,sda\n"
COLUMNS = "Columns found: Time, scl, sda."


def refused(data: str | bytes, **options: object) -> CaptureError:
    """The error that a file raises of which nothing can be read."""
    reader = DelimitedReader("wire.csv", **options)  # type: ignore[arg-type]
    content = data.encode() if isinstance(data, str) else data
    with pytest.raises(CaptureError) as caught:
        _ = reader.feed(content) + reader.finish()
    return caught.value


def stopped(data: str | bytes) -> tuple[list[int], CaptureError]:
    """Times of the good rows, and the error at which the reader stopped."""
    reader = DelimitedReader("wire.csv")
    content = data.encode() if isinstance(data, str) else data
    blocks: list[Edges] = [*reader.feed(content), *reader.finish()]
    assert reader.stopped is not None
    return [int(t) for block in blocks for t in block.t_ns], reader.stopped


@pytest.mark.parametrize("data", ["", "\n\n \n", "\ufeff"])
def test_an_empty_file_is_refused(data: str) -> None:
    error = refused(data)
    assert error.message == "the file is empty"
    assert error.place == Place("wire.csv")
    assert "0.0000125,1,0" in error.mend


def test_a_header_alone_is_refused_with_its_columns() -> None:
    error = refused("Bench\n" + HEAD)
    assert str(error).startswith("wire.csv:2: a header, but no row of data\n")
    assert "Time [us], scl, sda" in error.mend


@pytest.mark.parametrize(
    ("data", "place"),
    [
        (b"\x7fELF\x02\x01\x01\x00\x00\x00", Place("wire.csv", 1, 1)),
        (b"time,scl\n1,\x001\n" + bytes(range(256)), Place("wire.csv", 2, 3)),
    ],
)
def test_binary_junk_is_refused(data: bytes, place: Place) -> None:
    error = refused(data)
    assert error.message.startswith("this is not text: byte 0x")
    assert error.place == place
    assert "CSV" in error.mend


@pytest.mark.parametrize("data", ["voltage\n1\n2\n3\n", "1\n2\n3\n"])
def test_one_column_is_refused_with_its_name(data: str) -> None:
    error = refused(data)
    assert error.message == "only one column"
    assert error.place == Place("wire.csv", 1)
    assert re.search(r"Columns found: (voltage|column1)\.", error.mend)


def test_text_without_rows_is_refused() -> None:
    error = refused("dear reader,\nhere is nothing\n")
    assert error.message == "no row of a time and levels"
    assert error.place == Place("wire.csv", 1)


def test_times_without_levels_are_refused() -> None:
    error = refused("time_us,remark\n1,start\n2,stop\n")
    assert error.message == "no column of levels"
    assert error.mend.startswith("Columns found: time, remark.")


def test_sample_numbers_without_a_rate_are_refused() -> None:
    error = refused("sample,scl\n0,1\n1,0\n")
    assert error.message == "sample numbers, but no sample rate is stated"
    assert error.place == Place("wire.csv", 1)
    assert "State the sample rate" in error.mend


@pytest.mark.parametrize(
    ("delimiter", "number"),
    [(";", "1.234,5"), (";", "1 234,5"), (",", "1'234.5"), ("\t", "1,234.5")],
)
def test_thousands_marks_are_refused_as_ambiguous(delimiter: str, number: str) -> None:
    rows = [["time", "scl", "sda"], [number, "1", "1"], [number, "1", "0"]]
    error = refused("".join(delimiter.join(row) + "\n" for row in rows))
    assert error.message == f"no time in column time: {number!r}"
    assert error.place == Place("wire.csv", 2)
    assert "without thousands marks" in error.mend


@pytest.mark.parametrize(
    ("names", "named"), [("time,scl,sda", 3), ("time,scl", 2), ('"Time [s]",scl', 2)]
)
def test_a_decimal_comma_between_commas_is_refused(names: str, named: int) -> None:
    levels = ",1" * (named - 1)
    data = f"{names}\n0,000125{levels}\n0,000150{levels}\n"
    error = refused(f"Bench,of,the,night shift\n{data}")
    assert error.message == f"{named + 1} cells, but the header names {named} columns"
    assert error.place == Place("wire.csv", 3)
    assert error.mend.endswith("If numbers have a decimal comma, part cells by a semicolon.")


@pytest.mark.parametrize("spare", [";1", ";;"])
def test_rows_wider_than_their_header_are_refused(spare: str) -> None:
    error = refused(f"time_us;scl\n1;1{spare}\n2;0{spare}\n")
    assert error.message == f"{2 + spare.count(';')} cells, but the header names 2 columns"
    assert error.place == Place("wire.csv", 2)
    assert error.mend == "Columns named: time_us, scl."


def test_an_unknown_time_column_is_refused_with_those_found() -> None:
    error = refused(HEAD + "1,1,1\n", time_column="clock")
    assert str(error) == f"wire.csv:1: no column named 'clock'\n{COLUMNS}"


def test_channels_with_times_of_their_own_are_refused() -> None:
    error = refused("Time 1,scl,Time 2,sda\n0.1,1,0.15,1\n0.2,0,0.25,1\n")
    assert error.message == "channels with times of their own"
    assert error.place == Place("wire.csv", 1)
    assert "Export each channel by itself" in error.mend


def test_too_many_channels_are_refused() -> None:
    names, cells = ",".join(f"n{k}" for k in range(65)), ",".join("1" * 65)
    error = refused(f"time_us,{names}\n1,{cells}\n")
    assert error.message == "65 channels, and at most 64 can be read"


BAD_ROWS = [  # line, message, column
    ("oops,1,0", "no time: 'oops'", 1),
    ("7,1,x", "no level for sda: 'x'", 5),
    ("7,2,0", "no level for scl: '2'", 3),
    ("7,1", "missing cells: 2 of 3", 4),
    ("7", "missing cells: 1 of 3", 2),
    ("7,1,0,9", "too many cells: 4, not 3", 7),
    ("1.234.567,1,0", "a thousands mark: '1.234.567'", 1),
    ("99999999999999999999,1,0", "time '99999999999999999999' does not fit in 64 bits of ns", 1),
    ("  7,\u00b5,1", "no level for scl: '\u00b5'", 5),
]


@pytest.mark.parametrize(("line", "message", "column"), BAD_ROWS)
def test_a_bad_first_row_is_refused(line: str, message: str, column: int) -> None:
    error = refused(f"{HEAD}{line}\n8,1,1\n9,1,0\n10,0,0\n11,0,1\n")
    assert error.message == message
    assert error.place == Place("wire.csv", 2, column)
    assert error.mend.startswith(COLUMNS)


@pytest.mark.parametrize(("line", "message", "column"), BAD_ROWS)
@pytest.mark.parametrize("good_rows", [1, 5, 20_000])
def test_a_bad_later_row_keeps_the_rows_before_it(
    line: str, message: str, column: int, good_rows: int
) -> None:
    good = "".join(f"{k - good_rows},{k % 2},1\n" for k in range(good_rows))
    times, error = stopped(f"{HEAD}{good}{line}\n8,1,1\n9,1,0\n")
    assert times == [1000 * (k - good_rows) for k in range(good_rows)]
    assert error.message == message
    assert error.place == Place("wire.csv", 2 + good_rows, column)
    assert error.mend.startswith(COLUMNS)


@pytest.mark.parametrize("good_rows", [1, 7, 50_000])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_time_going_backwards_stops_at_its_line(good_rows: int, ending: str) -> None:
    good = "".join(f"{k + 10},{k % 2},1{ending}" for k in range(good_rows))
    head = HEAD.replace("\n", ending)
    times, error = stopped(f"{head}{good}{good_rows + 8},0,0{ending}99999,1,1{ending}")
    assert len(times) == good_rows
    last, back = 1000 * (good_rows + 9), 1000 * (good_rows + 8)
    assert error.message == f"time goes backwards: {back} ns after {last} ns"
    assert error.place == Place("wire.csv", 2 + good_rows, 1)
    assert error.mend.startswith("Rows must stand in time order.")


def test_time_going_backwards_among_samples_without_a_change_stops_too() -> None:
    rows = [f"0.{k:06d},1,1\n" for k in range(40_000)]
    rows[30_000], rows[30_001] = rows[30_001], rows[30_000]
    times, error = stopped("Time [s],scl,sda\n" + "".join(rows))
    assert times == [0]
    assert error.place == Place("wire.csv", 30_003, 1)


def test_the_column_of_the_time_is_told_wherever_it_stands() -> None:
    _, error = stopped("scl,Time [us]\n1,12\n0,11\n")
    assert error.place == Place("wire.csv", 3, 3)


def test_a_line_of_ten_megabytes_at_the_start_is_refused_early() -> None:
    reader = DelimitedReader("wire.csv")
    for _ in range(3):
        assert reader.feed(b"1" * 65_536) == []
    with pytest.raises(CaptureError) as caught:
        reader.feed(b"1" * 65_536)
    assert caught.value.message == "a line of more than 128 KiB"
    assert caught.value.place == Place("wire.csv", 1)


def test_a_line_of_ten_megabytes_below_the_header_is_refused() -> None:
    error = refused(HEAD + "1" * 10_000_000)
    assert error.message == "a line of more than 128 KiB"
    assert error.place == Place("wire.csv", 2)


@pytest.mark.parametrize("ending", ["", "\n"])
@pytest.mark.parametrize("chunk", [65_536, 20_000_000])
def test_a_line_of_ten_megabytes_later_stops_in_bounded_memory(ending: str, chunk: int) -> None:
    rows = "".join(f"{k},{k % 2},1\n" for k in range(50_000))
    data = (HEAD + rows + "1" * 10_000_000 + ending).encode()
    reader = DelimitedReader("wire.csv")
    count = 0
    for at in range(0, len(data), chunk):
        count += sum(len(block.t_ns) for block in reader.feed(data[at : at + chunk]))
        assert len(reader._pending) <= (2 << 20)
    count += sum(len(block.t_ns) for block in reader.finish())
    assert count == 50_000
    assert reader.stopped is not None
    assert reader.stopped.message == "a line of more than 1024 KiB"
    assert reader.stopped.place == Place("wire.csv", 50_002)


@pytest.mark.parametrize("rest", ["3", "3,", "3,1", "3,1,", "3,tr"])
def test_a_file_cut_inside_a_row_keeps_the_rows_before_it(rest: str) -> None:
    times, error = stopped(f"{HEAD}1,1,1\n2,1,0\n{rest}")
    assert times == [1000, 2000]
    assert error.message == "the file ends inside this line"
    assert error.place == Place("wire.csv", 4, len(rest) + 1)
    assert "The rows before it are whole." in error.mend


def test_a_cell_shorter_than_it_always_was_is_taken_as_cut() -> None:
    times, error = stopped("scl,sda,Time [s]\n1,1,0.000125\n1,0,0.000250\n0,0,0.0003")
    assert times == [125_000, 250_000]
    assert error.message == "the file ends inside this line"


def test_a_file_cut_inside_a_unit_of_utf16_keeps_the_rows_before_it() -> None:
    data = (HEAD + "1,1,1\n2,1,0\n3,").encode("utf-16") + b"\x31"
    times, error = stopped(data)
    assert times == [1000, 2000]
    assert error.message == "the file ends inside this line"


def test_words_in_the_middle_are_no_footer() -> None:
    times, error = stopped(f"{HEAD}1,1,1\n2,1,0\nend of part one\n3,1,1\n")
    assert times == [1000, 2000]
    assert str(error).startswith("wire.csv:4:1: no time: 'end of part one'\n")


def test_a_footer_that_never_ends_stops_at_its_first_line() -> None:
    times, error = stopped(f"{HEAD}1,1,1\n2,1,0\n" + "and so on\n" * 500)
    assert times == [1000, 2000]
    assert error.place == Place("wire.csv", 4, 1)


def test_binary_junk_after_good_rows_stops_at_its_line() -> None:
    times, error = stopped((HEAD + "1,1,1\n2,1,0\n").encode() + bytes(range(14, 200)) + b"\n")
    assert times == [1000, 2000]
    assert error.message == "this is not text: byte 0x0E"
    assert error.place == Place("wire.csv", 4, 1)


def test_a_quote_that_is_never_closed_stops_at_its_line() -> None:
    rows = "".join(f"{k},1,{k % 2}\n" for k in range(3, 40))
    times, error = stopped(f'{HEAD}1,1,1\n2,"1,0\n{rows}')
    assert times == [1000]
    assert error.message == "a quote that is never closed"
    assert error.place == Place("wire.csv", 3, 3)


def test_nothing_is_read_after_the_stop() -> None:
    reader = DelimitedReader("wire.csv")
    data = (HEAD + "1,1,1\n0,1,0\n").encode()
    blocks = [*reader.feed(data + b"2,1,0\n" * 100_000), *reader.feed(b"3,1,1\n"), *reader.finish()]
    assert sum(len(block.t_ns) for block in blocks) == 1
    assert reader.assumed.rows == 1
