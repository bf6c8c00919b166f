from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.delimited_cells import (
    header_parts,
    is_comment,
    is_data,
    is_header,
    is_sample_name,
    is_time_name,
    is_time_value,
    is_units,
    quote_is_open,
    records_of,
    sniffed_delimiter,
    split_cells,
    usual_length,
)

CELL = st.text("ab1.,;\"\t '", max_size=6).map(str.strip)


@settings(deadline=None)
@given(cells=st.lists(CELL, min_size=2, max_size=6), delimiter=st.sampled_from(",;\t|"))
def test_cells_are_what_the_csv_library_wrote(cells: list[str], delimiter: str) -> None:
    written = io.StringIO()
    csv.writer(written, delimiter=delimiter, lineterminator="").writerow(cells)
    assert [cell for _, cell in split_cells(written.getvalue(), delimiter)] == cells


def test_a_cell_has_the_place_of_its_first_character() -> None:
    assert split_cells("1, 2,,3", ",") == [(0, "1"), (2, "2"), (5, ""), (6, "3")]
    assert split_cells("  1   22 3", " ") == [(2, "1"), (6, "22"), (9, "3")]
    assert split_cells('"a,b","c""d",e', ",") == [(0, "a,b"), (6, 'c"d'), (13, "e")]


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_records_end_with_any_line_end_but_not_within_quotes(ending: str) -> None:
    text = ending.join(["a,b", '"c', 'd",e', "f"])
    found = [(record.line, record.text) for record in records_of(text)]
    assert found == [(1, "a,b"), (2, f'"c{ending}d",e'), (4, "f")]


def test_a_quote_that_is_not_closed_within_eight_lines_is_no_quote() -> None:
    text = '"open\n' + "1,0\n" * 9
    assert [record.line for record in records_of(text)] == list(range(1, 11))
    assert quote_is_open('"open')
    assert not quote_is_open('"closed"')


@pytest.mark.parametrize(
    ("cell", "parts"),
    [
        ("Time [s]", ("Time", "s")),
        ("Time (ms)", ("Time", "ms")),
        ("time_ns", ("time", "ns")),
        ("Channel 1 / V", ("Channel 1", "V")),
        ("Time in us", ("Time", "us")),
        ("scl (J3)", ("scl (J3)", "")),
        ("cap_lift", ("cap_lift", "")),
    ],
)
def test_a_header_cell_is_a_name_and_perhaps_a_unit(cell: str, parts: tuple[str, str]) -> None:
    assert header_parts(cell) == parts


def test_columns_of_times_and_of_samples_are_known_by_name() -> None:
    names = ["Time [s]", "timestamp", "t (us)", "Elapsed time", "scl", "sample", "Index", "table"]
    assert [is_time_name(name) for name in names] == [*[True] * 4, *[False] * 4]
    assert [is_sample_name(name) for name in names] == [*[False] * 5, True, True, False]


def test_times_are_numbers_clocks_and_dates() -> None:
    cells = ["1.5e-6", "-,5", "00:00:01.5", "2024-01-01T00:00:00Z", "high", "", "1.2.3"]
    assert [is_time_value(cell) for cell in cells] == [*[True] * 4, *[False] * 3]


def test_rows_headers_and_units_are_told_apart() -> None:
    data, header, units = ["0.5", "1", "low"], ["Time [s]", "scl", "sda"], ["s", "V", ""]
    kinds = [(is_data(row), is_header(row), is_units(row)) for row in (data, header, units)]
    assert kinds == [(True, False, False), (False, True, False), (False, False, True)]


def test_a_semicolon_opens_a_remark_only_where_it_delimits_nothing() -> None:
    found = [is_comment(text, mark) for text, mark in [("# a", ","), ("; a", ","), (";1;2", ";")]]
    assert found == [True, True, False]


@pytest.mark.parametrize("delimiter", ["\t", ";", ",", "|", " "])
def test_the_delimiter_is_that_which_gives_rows_of_values(delimiter: str) -> None:
    rows = [["Time [s]", "scl", "sda"], ["0.5", "1", "0"], ["0.75", "0", "0"]]
    texts = [delimiter.join(cell.replace(" ", "_") for cell in row) for row in rows]
    assert sniffed_delimiter(texts) == delimiter


def test_a_decimal_comma_is_not_taken_for_the_delimiter() -> None:
    assert sniffed_delimiter(["0,5;1;0", "0,75;0;0"]) == ";"
    assert sniffed_delimiter(["nothing of the kind"]) == ""


def test_the_usual_length_is_that_of_most_rows() -> None:
    assert usual_length([["0", "1"], ["1", "1", "0"], ["2", "0", "0"]]) == 3
    assert usual_length([]) == 0
