"""Where the table of a delimited file stands: delimiter, header, units and first row of data."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

from decoders.captures.delimited_cells import (
    Record,
    header_parts,
    is_comment,
    is_data,
    is_header,
    is_number,
    is_time_value,
    is_units,
    records_of,
    sniffed_delimiter,
    split_cells,
    usual_length,
)
from decoders.captures.delimited_facts import Facts, facts_of
from decoders.errors import CaptureError, Place

SAMPLED_ROWS = 2000  # rows that settle the layout
_MOST_ABOVE = 1000  # lines before the first row of data
_JUNK = re.compile(r"[\x00-\x08\x0b\x0e-\x19\x1b-\x1f\x7f]")
HEADER_ONLY = "a header, but no row of data"


@dataclass(frozen=True, slots=True)
class Table:
    """The table found in the head of a file."""

    delimiter: str
    header: tuple[str, ...]  # () without one
    units: tuple[str, ...]  # a unit a column, "" where none
    columns: int  # without an empty last one made by trailing delimiters
    trailing: bool  # whether rows end with a delimiter
    header_line: int  # 0 without a header
    data_line: int  # line of the first row of data
    data_begin: int  # its offset in the text
    rows: tuple[tuple[str, ...], ...]  # the first rows of data, `columns` cells each
    facts: Facts

    @property
    def names(self) -> tuple[str, ...]:
        """A name a column, each once; `column1`... where the header has none."""
        names: list[str] = []
        for index in range(self.columns):
            name = header_parts(self.header[index])[0] if index < len(self.header) else ""
            name = name or f"column{index + 1}"
            again = sum(other == name or other.startswith(f"{name}~") for other in names)
            names.append(f"{name}~{again + 1}" if again else name)
        return tuple(names)


def decoded_head(head: bytes) -> tuple[str, str]:
    """Text of the head and its codec: UTF-8, or Latin-1 for any 8-bit code page."""
    try:
        return head.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        return head.decode("latin-1"), "latin-1"


def find_table(
    name: str, text: str, delimiter: str | None = None, sampled: int = SAMPLED_ROWS
) -> Table:
    """Find the table in the head of a file.

    Args:
        name: file name, for errors.
        text: whole lines from the beginning of the file.
        delimiter: the delimiter, when it is known.
        sampled: rows of data that are looked at.

    Raises:
        CaptureError: when there is no table of times and levels.
    """
    at = junk_in(text)
    if at is None:
        return _found(name, text, delimiter, sampled)
    try:  # good rows before the junk are kept
        return _found(name, text[: text.rfind("\n", 0, at) + 1], delimiter, sampled)
    except CaptureError as error:
        raise _junk_error(name, text, at) from error


def _found(name: str, text: str, delimiter: str | None, sampled: int) -> Table:
    filled = (record for record in records_of(text) if record.text.strip())
    records = list(islice(filled, sampled + _MOST_ABOVE))
    if not records:
        raise CaptureError(
            "the file is empty",
            place=Place(name),
            mend="A level capture needs rows of a time and levels, such as: 0.0000125,1,0",
        )
    mark = delimiter or sniffed_delimiter([record.text for record in records]) or ","
    cells = [_cells(record, mark) for record in records]
    are_data = [
        _may_be_row(record, mark) and is_data(row)
        for record, row in zip(records, cells, strict=True)
    ]
    rows = [row for row, is_row in zip(cells, are_data, strict=True) if is_row]
    count = usual_length([row for row in rows if len(row) > 1]) or usual_length(rows)
    for at, (row, is_row) in enumerate(zip(cells, are_data, strict=True)):
        if len(row) == count and is_row:
            return _table(name, mark, records, cells, are_data, at, sampled)
    raise _no_rows(name, records, cells)


def _may_be_row(record: Record, mark: str) -> bool:
    return not is_comment(record.text, mark)


def _cells(record: Record, mark: str) -> tuple[str, ...]:
    return tuple(cell for _, cell in split_cells(record.text, mark))


def _table(
    name: str,
    mark: str,
    records: Sequence[Record],
    cells: Sequence[tuple[str, ...]],
    are_data: Sequence[bool],
    first: int,
    sampled: int,
) -> Table:
    _refuse_narrow_header(name, mark, records, cells, first)
    trailing = len(cells[first]) > 1 and all(
        not row[-1] for row in cells[first : first + 50] if len(row) == len(cells[first])
    )
    columns = len(cells[first]) - trailing
    header_at, units, first = _above(mark, records, cells, first, columns)
    if header_at is None and cells[first][-1]:
        trailing, columns = False, len(cells[first])
    header = () if header_at is None else _header_cells(records[header_at], mark)
    if trailing and len(header) > columns and header[columns]:
        trailing, columns = False, columns + 1  # the last column has a name: empty, not absent
    if len(named := tuple(cell for cell in header if cell)) > columns:
        raise CaptureError(
            f"{columns} cells, but the header names {len(named)} columns",
            place=Place(name, records[first].line),
            mend=f"Columns named: {', '.join(named)}. Export the file again with every column.",
        )
    rows = tuple(
        row[:columns]
        for row, is_row in zip(cells[first:], are_data[first:], strict=True)
        if len(row) in (columns, columns + trailing) and is_row
    )
    if records[-1].end - records[-1].begin == len(records[-1].text) and len(rows) > 1:
        rows = rows[:-1]  # without a line end it may be cut
    above = records[: first if header_at is None else header_at]
    return Table(
        delimiter=mark,
        header=header[:columns],
        units=_units(header, units, columns),
        columns=columns,
        trailing=trailing,
        header_line=0 if header_at is None else records[header_at].line,
        data_line=records[first].line,
        data_begin=records[first].begin,
        rows=rows[:sampled],
        facts=facts_of([record.text for record in above]),
    )


def _refuse_narrow_header(
    name: str, mark: str, records: Sequence[Record], cells: Sequence[tuple[str, ...]], first: int
) -> None:
    """Refuse rows of more cells than the header right above names, as a decimal comma makes them.

    Raises:
        CaptureError: if that is so.
    """
    named = cells[first - 1] if first and _may_be_row(records[first - 1], mark) else ()
    spare = cells[first][len(named) :]
    if not spare or spare == ("",):  # a delimiter at the end of each row is usual
        return
    if len(named) < 2 or not all(named) or any(map(is_time_value, named)) or not is_header(named):
        return
    comma = "" if mark != "," else " If numbers have a decimal comma, part cells by a semicolon."
    raise CaptureError(
        f"{len(cells[first])} cells, but the header names {len(named)} columns",
        place=Place(name, records[first].line),
        mend=f"Columns named: {', '.join(named)}.{comma}",
    )


def _above(
    mark: str, records: Sequence[Record], cells: Sequence[tuple[str, ...]], first: int, columns: int
) -> tuple[int | None, tuple[str, ...], int]:
    """Header record, unit cells and the first record of data, which may be a row gone wrong."""
    units: tuple[str, ...] = ()
    below = first  # the first record under the header (and its units)
    for at in range(first - 1, max(-1, first - 200), -1):
        row = cells[at]
        if not _may_be_row(records[at], mark):
            bare = _header_cells(records[at], mark)
            if len(bare) >= columns > 1 and is_header(bare) and not any(map(is_number, bare)):
                return at, units, below
            continue
        if len(row) > columns + 1 and is_header(row):
            return at, units, below
        if len(row) not in (columns, columns + 1):
            continue
        if is_units(row) and not units:
            units, below = row, at + 1
        elif is_header(row):  # all below it is data, even what looks odd
            return at, units, max(at + 1, below if units else 0)
        elif not any(map(is_time_value, row)):
            return at, units, below
        elif at == below - 1:
            below = at
    return None, units, first


def _header_cells(record: Record, mark: str) -> tuple[str, ...]:
    bare = (
        record.text.lstrip().lstrip("#;").lstrip() if is_comment(record.text, mark) else record.text
    )
    return tuple(cell for _, cell in split_cells(bare, mark))


def _units(header: Sequence[str], line: Sequence[str], columns: int) -> tuple[str, ...]:
    units = []
    for index in range(columns):
        unit = header_parts(header[index])[1] if index < len(header) else ""
        if not unit and index < len(line):
            unit = line[index].strip("[]() ")
        units.append(unit)
    return tuple(units)


def junk_in(text: str) -> int | None:
    """Place of the first letter that is in no text, or None."""
    found = _JUNK.search(text)
    return None if found is None else found.start()


def _junk_error(name: str, text: str, at: int) -> CaptureError:
    return CaptureError(
        f"this is not text: byte 0x{ord(text[at]):02X}",
        place=Place(name, len(text[:at].splitlines()) or 1, at - text.rfind("\n", 0, at)),
        mend="Export the capture as delimited text (CSV) or as VCD.",
    )


def _no_rows(
    name: str, records: Sequence[Record], cells: Sequence[tuple[str, ...]]
) -> CaptureError:
    for record, row in zip(records, cells, strict=True):
        if len(row) > 1 and is_header(row):
            found = ", ".join(cell for cell in row if cell)
            return CaptureError(
                HEADER_ONLY,
                place=Place(name, record.line),
                mend=f"Columns found: {found}. Export again with the samples.",
            )
    return CaptureError(
        "no row of a time and levels",
        place=Place(name, records[0].line),
        mend="A row looks like 0.0000125,1,0. Name the delimiter if it is an unusual one.",
    )
