"""One row of a delimited capture at a time: the careful way, which defines what a row means.

The fast way (delimited_matrix) must give the same; it hands every line it does not know to here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from decoders.captures.delimited_cells import is_comment, is_header, is_units, split_cells
from decoders.captures.delimited_channels import columns_found
from decoders.captures.delimited_digits import decimal_of, time_ns
from decoders.captures.delimited_layout import Layout
from decoders.captures.delimited_levels import has_no_value, level_of
from decoders.errors import CaptureError, Place

_SHOWN = 40  # characters of a bad cell in a message


class RowError(CaptureError):
    """A line that is no row of data; it may be a footer, so the reader decides what follows."""

    def __init__(
        self, message: str, place: Place, mend: str, *, texty: bool = False, is_data: bool = False
    ) -> None:
        super().__init__(message, place=place, mend=mend)
        self.texty = texty  # words, as a footer has them
        self.is_data = is_data  # it has a time, but cannot be taken


EMPTY = "empty cells are taken as unchanged levels"
OVERFLOWS = "overflow words are taken as unchanged levels"
FINER = "times finer than 1 ns are rounded to the nearest ns"


def _with_count(what: str, count: int, first: int) -> str:
    if count > 1:
        return f"{what} ({count} times, first line {first})"
    return f"{what} (line {first})" if count else what


@dataclass(slots=True)
class Oddities:
    """Odd things met in rows: how often, and the line of the first."""

    counts: dict[str, list[int]] = field(default_factory=dict)

    def note(self, what: str, line: int, times: int = 1) -> None:
        """Count it, first met in a line."""
        self.counts.setdefault(what, [0, line])[0] += times

    def mention(self, what: str) -> None:
        """Say it once, without a count."""
        self.counts.setdefault(what, [0, 0])

    def remarks(self) -> list[str]:
        """One sentence each, by the line of the first."""
        by_line = sorted(self.counts.items(), key=lambda item: (item[1][1], item[0]))
        return [_with_count(what, count, first) for what, (count, first) in by_line]


class RowReader:
    """Turn the text of one line into a time and a level word."""

    def __init__(self, name: str, layout: Layout) -> None:
        self.name = name
        self.layout = layout
        self.odd = Oddities()
        self._header = layout.table.header
        self._columns = layout.table.columns
        self._has_commas = layout.table.delimiter == ","

    def row(self, text: str, line: int, number: int, level: int) -> tuple[int, int] | None:
        """Read one line.

        Args:
            text: the line without its end.
            line: its number.
            number: how many rows of data came before it.
            level: the level word of the row before, for cells without a value.

        Returns:
            Time in ns and level word, or None for a line to skip (blank, remark, repeated header,
            a time that is an overflow word).

        Raises:
            RowError: for anything else.
        """
        delimiter = self.layout.table.delimiter
        if not text.strip() or text == "\x1a" or is_comment(text, delimiter):
            return None
        cells = split_cells(text, delimiter)
        if len(cells) == self._columns + 1 and not cells[-1][1]:
            cells.pop()
        words = [cell for _, cell in cells]
        if self._repeats_header(words):
            self.odd.note("the header is repeated", line)
            return None
        time_ns_ = self._time(cells, line, number)
        if time_ns_ is None:
            return None
        if len(cells) != self._columns:
            raise self._count_error(cells, text, line)
        return time_ns_, self._levels(cells, line, level)

    def _repeats_header(self, words: list[str]) -> bool:
        if not self._header:
            return False
        same = tuple(words[: len(self._header)]) == self._header
        return (
            same
            or (len(words) == self._columns and is_header(words) and not _numbers(words))
            or (
                len(words) == self._columns > 1 and any(self.layout.table.units) and is_units(words)
            )
        )

    def _time(self, cells: list[tuple[int, str]], line: int, number: int) -> int | None:
        column = self.layout.time
        if column.index is None:
            from_row = number * column.period_ns
            return (2 * from_row.numerator + from_row.denominator) // (2 * from_row.denominator)
        if column.index >= len(cells):
            raise self._error(
                "missing cells", line, 1, cells, is_data=_numbers([c for _, c in cells])
            )
        at, cell = cells[column.index]
        try:
            got = time_ns(column, cell)
        except OverflowError:
            raise self._error(
                f"time {cell[:_SHOWN]!r} does not fit in 64 bits of ns",
                line,
                at + 1,
                cells,
                is_data=True,
            ) from None
        if got is not None:
            if not got[1] and column.kind != "sample":
                self.odd.mention(FINER)
            return got[0]
        if has_no_value(cell) and len(cells) == self._columns:
            self.odd.note("rows without a time are left out", line)
            return None
        what = "sample number" if column.kind == "sample" else "time"
        kind = "a thousands mark" if cell.count(".") + cell.count(",") > 1 else f"no {what}"
        raise self._error(f"{kind}: {cell[:_SHOWN]!r}", line, at + 1, cells, texty=_is_texty(cell))

    def _levels(self, cells: list[tuple[int, str]], line: int, level: int) -> int:
        for column in self.layout.levels:
            at, cell = cells[column.index]
            if has_no_value(cell):
                self.odd.note(OVERFLOWS if cell else EMPTY, line)
                continue
            got = level_of(column, cell)
            if got is None:
                raise self._error(
                    f"no level for {self.layout.table.names[column.index]}: {cell[:_SHOWN]!r}",
                    line,
                    at + 1,
                    cells,
                    is_data=True,
                )
            mask = ((1 << column.width) - 1) << column.bit
            level = (level & ~mask) | (got << column.bit)
        return level

    def _count_error(self, cells: list[tuple[int, str]], text: str, line: int) -> RowError:
        if len(cells) < self._columns:
            message = f"missing cells: {len(cells)} of {self._columns}"
            return self._error(message, line, len(text) + 1, cells, is_data=True)
        message = f"too many cells: {len(cells)}, not {self._columns}"
        return self._error(message, line, cells[self._columns][0] + 1, cells, is_data=True)

    def _error(
        self,
        message: str,
        line: int,
        column: int,
        cells: list[tuple[int, str]],
        *,
        texty: bool = False,
        is_data: bool = False,
    ) -> RowError:
        mend = f"{columns_found(self.layout.table)} Mend or remove the line, or export again."
        return RowError(message, Place(self.name, line, column), mend, texty=texty, is_data=is_data)


def _numbers(words: list[str]) -> bool:
    return any(decimal_of(word) is not None for word in words)


def _is_texty(cell: str) -> bool:
    return any(letter.isalpha() for letter in cell[:200]) or cell.startswith(("--", "==", "**"))
