from __future__ import annotations

import pytest

from decoders.captures.delimited_lines import LONGEST_LINE, CarefulLines, long_line
from decoders.captures.delimited_rows import RowError
from decoders.captures.edge_rows import EdgeRows
from tests.decoders.captures.delimited_made import layout


class Lines:
    """Careful lines behind the header of the plain layout, and their rows."""

    def __init__(self) -> None:
        self.edges = EdgeRows(2)
        self.careful = CarefulLines("wire.csv", layout(), self.edges)

    def take(self, *texts: str) -> Lines:
        for text in texts:
            self.careful.line(text.encode("latin-1"))
        return self

    def rows(self) -> list[tuple[int, int]]:
        blocks = self.edges.rest()
        return [
            row
            for block in blocks
            for row in zip(block.t_ns.tolist(), block.levels.tolist(), strict=True)
        ]


def refused(lines: Lines, *texts: str) -> str:
    with pytest.raises(RowError) as caught:
        lines.take(*texts)
    return str(caught.value).splitlines()[0]


def test_lines_become_rows_and_are_counted_from_the_first_of_data() -> None:
    lines = Lines().take("0,1,1\r\n", "", "5,1,0\n")
    assert (lines.rows(), lines.careful.next_line) == ([(0, 3), (5, 1)], 5)


def test_a_record_goes_on_behind_a_line_break_in_quotes() -> None:
    lines = Lines().take('0,1,"1\n')
    assert lines.careful.needs_care
    assert lines.take('"\n', "5,1,0\n").rows() == [(0, 3), (5, 1)]


def test_a_quote_that_is_never_closed_is_told_where_it_opens() -> None:
    message = refused(Lines(), '0,1,"1\n', *["5,1,0\n"] * 8)
    assert message == "wire.csv:2:5: a quote that is never closed"


def test_words_behind_good_rows_are_a_footer_if_no_row_follows() -> None:
    lines = Lines().take("0,1,1\n", "End of capture\n", "by the night shift\n")
    lines.careful.end()
    assert lines.rows() == [(0, 3)]
    assert lines.careful.rows.odd.remarks() == ["footer left out: 2 lines from line 3"]


def test_words_before_a_row_have_spoiled_the_file() -> None:
    message = refused(Lines(), "0,1,1\n", "End of capture\n", "5,1,0\n")
    assert message == "wire.csv:3:1: no time: 'End of capture'"


def test_words_before_any_row_are_no_footer() -> None:
    assert refused(Lines(), "Begin\n") == "wire.csv:2:1: no time: 'Begin'"


def test_a_footer_has_an_end() -> None:
    assert refused(Lines(), "0,1,1\n", *["words\n"] * 101) == "wire.csv:3:1: no time: 'words'"


def test_time_does_not_go_backwards() -> None:
    message = refused(Lines(), "5,1,1\n", "4,1,0\n")
    assert message == "wire.csv:3:1: time goes backwards: 4 ns after 5 ns"


def test_bytes_that_are_no_text_end_the_table() -> None:
    message = refused(Lines(), "5,1,1\n", "\x00\x00\x00\n")
    assert message == "wire.csv:3:1: this is not text: byte 0x00"


@pytest.mark.parametrize("last", ["7,1", "7,1,", "7"])
def test_a_last_line_that_was_cut_is_told_and_not_read(last: str) -> None:
    lines = Lines().take("5,1,1\n")
    with pytest.raises(RowError, match="the file ends inside this line"):
        lines.careful.last_line(last.encode())
    assert lines.rows() == [(5, 3)]


def test_a_last_line_without_its_line_end_is_read_if_it_is_whole() -> None:
    lines = Lines().take("5,1,1\n")
    lines.careful.last_line(b"7,1,0")
    assert lines.rows() == [(5, 3), (7, 1)]


def test_a_line_that_never_ends_is_refused() -> None:
    assert str(long_line("wire.csv", 3)).startswith("wire.csv:3: a line of more than 1024 KiB")
    assert refused(Lines(), "1" * (LONGEST_LINE + 1)).startswith("wire.csv:2: a line of more than")
