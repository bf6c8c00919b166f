"""Lines of a delimited capture one by one: quoted line breaks, footers, where it went bad."""

from __future__ import annotations

from decoders.captures.delimited_cells import quote_is_open, split_cells
from decoders.captures.delimited_layout import Layout
from decoders.captures.delimited_levels import has_no_value
from decoders.captures.delimited_rows import RowError, RowReader
from decoders.captures.delimited_table import junk_in
from decoders.captures.edge_rows import EdgeRows
from decoders.errors import Place

LONGEST_LINE = 1 << 20  # bytes
_MOST_FOOTER_LINES = 100
_MOST_QUOTED_LINES = 8


def long_line(name: str, line: int, seen_bytes: int = LONGEST_LINE) -> RowError:
    """The error for a line that never ends."""
    return RowError(
        f"a line of more than {seen_bytes >> 10} KiB",
        Place(name, line),
        "This is no table of samples, or its line ends are missing. Export it as CSV again.",
    )


class CarefulLines:
    """Take lines one at a time into edge rows.

    A line of words after good rows may be a footer: it is held against the file only when a row of
    data follows, or when what follows is no text.
    """

    def __init__(self, name: str, layout: Layout, edges: EdgeRows) -> None:
        self.rows = RowReader(name, layout)
        self.next_line = layout.table.data_line
        self._name = name
        self._layout = layout
        self._edges = edges
        self._open = ""  # a record that goes on behind a line break in quotes
        self._open_line = 0
        self._footer: RowError | None = None
        self._footer_lines = 0

    @property
    def needs_care(self) -> bool:
        """Whether the next line must come here: inside a record or behind a footer."""
        return self._footer is not None or bool(self._open_line)

    def line(self, raw: bytes) -> None:
        """Take one line, with or without its line end.

        Raises:
            RowError: when the file has gone bad; the rows before are in the edge rows.
        """
        number = self.next_line
        if len(raw) > LONGEST_LINE:
            raise long_line(self._name, number)
        text = _decoded(raw).rstrip("\r\n")
        self.next_line += 1
        if self._open_line:
            text, number = f"{self._open}\n{text}", self._open_line
        if quote_is_open(text) and junk_in(text) is None:
            if self.next_line - number >= _MOST_QUOTED_LINES:
                raise RowError(
                    "a quote that is never closed",
                    Place(self._name, number, text.find('"') + 1),
                    "Close the quote, or remove the line.",
                )
            self._open, self._open_line = text, number
            return
        self._open, self._open_line = "", 0
        self._record(text, number)

    def _record(self, text: str, line: int) -> None:
        edges = self._edges
        try:
            row = self.rows.row(text, line, edges.rows, edges.level)
        except RowError as error:
            self._hold(error, text)
            return
        if row is None:
            return
        if self._footer is not None:
            raise self._footer
        if edges.last_ns is not None and row[0] < edges.last_ns:
            raise RowError(
                f"time goes backwards: {row[0]} ns after {edges.last_ns} ns",
                Place(self._name, line, self._time_place(text)),
                "Rows must stand in time order. Sort them, or split the file here.",
            )
        edges.add(*row)

    def _time_place(self, text: str) -> int:
        cells = split_cells(text, self._layout.table.delimiter)
        return cells[self._layout.time.index or 0][0] + 1

    def _hold(self, error: RowError, text: str) -> None:
        junk = junk_in(text)
        if junk is not None:
            raise RowError(
                f"this is not text: byte 0x{ord(text[junk]):02X}",
                Place(self._name, error.place.line if error.place else None, junk + 1),
                "The rows before it are whole. Export again, or see whether the disk was full.",
            )
        is_words = error.texty
        if self._footer is None:
            if not self._edges.rows or not is_words:
                raise error
            self._footer = error
        elif not is_words and error.is_data:
            raise self._footer
        self._footer_lines += 1
        if self._footer_lines > _MOST_FOOTER_LINES:
            raise self._footer

    def last_line(self, raw: bytes) -> None:
        """Take what follows the last line end of the file; the line may be cut.

        Raises:
            RowError: when it is half a row.
        """
        line = self.next_line
        text = _decoded(raw).rstrip("\r\n\x00")
        if self._looks_cut(text):
            raise self._cut(line, text)
        try:
            self.line(raw)
        except RowError as error:
            if self._footer is None and "backwards" not in error.message:
                raise self._cut(line, text) from error
            raise

    def _cut(self, line: int, text: str) -> RowError:
        return RowError(
            "the file ends inside this line",
            Place(self._name, line, len(text) + 1),
            "The rows before it are whole. Export again, or see whether the disk was full.",
        )

    def _looks_cut(self, text: str) -> bool:
        """Whether the last cell is shorter than it always was at the start of the file."""
        table = self._layout.table
        cells = [cell for _, cell in split_cells(text, table.delimiter)]
        if len(cells) != table.columns or table.trailing:
            return False
        widths = {len(row[-1]) for row in table.rows}
        usual = widths.pop() if len(widths) == 1 else 0
        return len(cells[-1]) < usual or (usual > 0 and has_no_value(cells[-1]))

    def end(self) -> None:
        """Settle what the end of the file leaves open.

        Raises:
            RowError: when a record in quotes, or lines that are no footer, end the file.
        """
        if self._open_line:
            raise self._cut(self._open_line, self._open)
        if self._footer is not None:
            place = self._footer.place
            line = place.line if place is not None else None
            self.rows.odd.mention(
                f"footer left out: {self._footer_lines} line{'s' * (self._footer_lines > 1)} "
                f"from line {line}"
            )


def _decoded(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")  # an 8-bit code page: only its micro sign matters
