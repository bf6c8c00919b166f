"""Delimited text (CSV and its relatives) to edges, as instruments export it.

Theory of operation. The first 256 KiB (or all, if the file is shorter) are gathered and settle the
layout: encoding, delimiter, decimal mark, header, unit, which column is the time and how the levels
are written (delimited_table, delimited_layout). From then on whole lines pass through in blocks:
lines of one shape as a byte matrix, everything else by the careful reader line by line
(delimited_blocks). What is not a whole line waits for the next chunk, so the cut of the chunks
decides nothing. A time is kept as decimal digits until it is int64 ns; digits beyond 1 ns are
rounded to the nearest, halves away from zero, and a remark says so.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import chain

import numpy as np

from decoders.captures.delimited_blocks import LineBlocks
from decoders.captures.delimited_cells import is_value
from decoders.captures.delimited_channels import NO_LEVELS, Options
from decoders.captures.delimited_digits import unit_of
from decoders.captures.delimited_facts import rate_of
from decoders.captures.delimited_layout import layout_of
from decoders.captures.delimited_lines import LONGEST_LINE, CarefulLines, long_line
from decoders.captures.delimited_table import (
    HEADER_ONLY,
    Table,
    decoded_head,
    find_table,
    junk_in,
)
from decoders.captures.edge_rows import EdgeRows
from decoders.captures.edges import Assumed, Edges
from decoders.captures.encoding import TextBytes
from decoders.errors import CaptureError, Place

HEAD_BYTES = 256 * 1024  # settle the layout
BLOCK_BYTES = 512 * 1024  # read at a time, where chunks are smaller
_LOOKED_AT = 500  # rows, to tell whether they are any
PIECE_BYTES = 1024 * 1024  # of a large chunk read at a time


class DelimitedReader:
    """Read a delimited capture; a fold over its bytes.

    Args:
        name: file name, for errors.
        threshold_volts: level of volts at and above which a line is high; else half way between
            the levels seen at the start.
        sample_rate_hz: rate of sample numbers or of rows without a time; else as the file states.
        time_column: name of the time column; else told from the header or the data.
        time_unit: s, ms, us, ns, ps, or "sample"; else told from the header or the data.
        delimiter: one character; else told from the data.

    Raises:
        ValueError: for an unknown unit, a delimiter of other than one character, or a rate that
            is not positive.
    """

    def __init__(
        self,
        name: str,
        *,
        threshold_volts: float | Fraction | None = None,
        sample_rate_hz: float | Fraction | str | None = None,
        time_column: str | None = None,
        time_unit: str | None = None,
        delimiter: str | None = None,
    ) -> None:
        self.name = name
        self.channels: tuple[str, ...] = ()
        self.assumed = Assumed()
        self.stopped: CaptureError | None = None
        self._options = Options(
            None if threshold_volts is None else Fraction(str(threshold_volts)),
            _rate(sample_rate_hz),
            time_column,
            _unit(time_unit),
        )
        if delimiter is not None and len(delimiter) != 1:
            raise ValueError(f"a delimiter is one character, not {delimiter!r}")
        self._delimiter = delimiter
        self._text = TextBytes()
        self._pending = bytearray()  # text not yet read; the head until the layout is settled
        self._ended = False
        self._out: list[Edges] = []
        self._edges: EdgeRows | None = None
        self._careful: CarefulLines | None = None
        self._blocks: LineBlocks | None = None
        self._remarks: tuple[str, ...] = ()

    def feed(self, chunk: bytes) -> list[Edges]:
        """Take the next bytes; return the blocks of edges they complete.

        Raises:
            CaptureError: when nothing of the file can be read.
        """
        if self.stopped is not None or not chunk:
            return []
        return self._guarded(self._text.feed(chunk), last=False)

    def finish(self) -> list[Edges]:
        """Return the last edges; feed nothing after this. Raises as `feed` does."""
        if self._ended:
            return []
        self._ended = True
        if self.stopped is not None:
            return []
        return self._guarded(self._text.finish(), last=True)

    def _guarded(self, text: bytes, last: bool) -> list[Edges]:
        """Read; once rows have been read an error stops the reader instead of escaping."""
        try:
            self._read(text, last)
        except CaptureError as error:
            if self._edges is None or not self._edges.rows:
                raise
            self.stopped = error
            self._pending.clear()
        if self._edges is None or self._careful is None:
            return []
        self._out += self._edges.rest() if last or self.stopped else self._edges.ready()
        self.assumed.rows = self._edges.rows
        if self._edges.beat is not None:
            self.assumed.off_beat = self._edges.beat.found
        self.assumed.remarks = [*self._remarks, *self._careful.rows.odd.remarks()]
        out, self._out = self._out, []
        return out

    def _read(self, text: bytes, last: bool) -> None:
        if self._blocks is None:
            self._pending += text
            if len(self._pending) < HEAD_BYTES and not last:
                return
            text = self._settle(bytes(self._pending), last)
            self._pending.clear()
        waiting = len(self._pending) + len(text)
        if not last and (waiting < BLOCK_BYTES or (waiting < LONGEST_LINE and b"\n" not in text)):
            self._pending += text
            return
        self._take(text)
        if last:
            self._take_last()

    def _settle(self, head: bytes, last: bool) -> bytes:
        """Settle the layout from the beginning of the file; return the text from the data on."""
        seen = head[:HEAD_BYTES]
        end = len(seen) if last and len(head) <= HEAD_BYTES else _last_line_end(seen)
        text, codec = decoded_head(seen[:end] or seen)
        try:
            table = find_table(self.name, text, self._delimiter)
        except CaptureError as error:
            if len(seen) - end > HEAD_BYTES // 2 and junk_in(text) is None:
                line = len(text.splitlines()) + 1 if end else 1
                raise long_line(self.name, line, HEAD_BYTES // 2) from error
            raise
        if not end:
            raise long_line(self.name, 1, HEAD_BYTES // 2)
        layout = layout_of(self.name, table, self._options)
        edges = self._edges = EdgeRows(len(layout.channels), layout.row_period_ns)
        careful = self._careful = CarefulLines(self.name, layout, edges)
        self._blocks = LineBlocks(layout, careful, edges)
        self.channels = layout.channels
        self.assumed.sample_period_ns = layout.sample_period_ns or layout.row_period_ns
        self._remarks = (*_told(self._text.encoding, codec, table), *layout.remarks)
        return head[len(text[: table.data_begin].encode(codec)) :]

    def _take(self, text: bytes) -> None:
        """Read all whole lines of what is pending and of `text`; the rest becomes pending."""
        begin = 0
        if self._pending:
            begin = text.find(b"\n") + 1 or len(text)
            self._pending += text[:begin]
            whole = bytes(self._pending)
            end = _last_line_end(whole)
            self._lines(whole, 0, end)
            self._pending = bytearray(whole[end:])
        if begin < len(text):
            end = max(begin, _last_line_end(text))
            self._lines(text, begin, end)
            self._pending += text[end:]
        if len(self._pending) > LONGEST_LINE and self._careful is not None:
            raise long_line(self.name, self._careful.next_line)

    def _lines(self, text: bytes, begin: int, end: int) -> None:
        """Read the whole lines of a part of `text`, a piece at a time."""
        assert self._blocks is not None  # settled
        assert self._edges is not None
        while begin < end:
            stop = min(end, begin + PIECE_BYTES)
            if stop < end:
                stop = text.rfind(b"\n", begin, stop) + 1 or end
            if text.find(b"\r", begin, stop) >= 0:
                piece = np.frombuffer(_line_feeds(text[begin:stop]), np.uint8)
            else:
                piece = np.frombuffer(text, np.uint8, stop - begin, begin)
            self._blocks.take(piece)
            self._out += self._edges.ready()
            begin = stop

    def _take_last(self) -> None:
        """Read what follows the last line end, and settle what that leaves open."""
        assert self._careful is not None  # settled
        assert self._edges is not None
        rest = _line_feeds(bytes(self._pending))
        self._pending.clear()
        end = rest.rfind(b"\n") + 1
        self._lines(rest, 0, end)
        if end < len(rest):
            self._careful.last_line(rest[end:])
        self._careful.end()
        if not self._edges.rows:
            raise CaptureError(
                "no row of data",
                place=Place(self.name, self._careful.next_line - 1),
                mend="Export again with the samples.",
            )


def looks_delimited(head: bytes) -> bool:
    """Whether the beginning of a file looks like delimited rows of times and levels."""
    text_bytes = TextBytes()
    seen = text_bytes.feed(head[:HEAD_BYTES]) + text_bytes.finish()
    text, _ = decoded_head(seen[: _last_line_end(seen)] or seen)
    if text.lstrip()[:1] in ("", "{", "[", "$", "<"):
        return False
    try:
        table = find_table("", text, sampled=_LOOKED_AT)
    except CaptureError as error:
        return error.message == HEADER_ONLY
    try:
        layout_of("", table, Options())
    except CaptureError as error:
        return table.columns > 1 and bool(table.header) and error.message != NO_LEVELS
    below = [line for line in text.splitlines()[table.data_line - 1 :] if line.strip()]
    fair = len(table.rows) >= 0.7 * min(len(below), _LOOKED_AT)
    plain = table.delimiter != " " or all(is_value(cell) for cell in chain(*table.rows))
    return fair and plain


def _last_line_end(text: bytes) -> int:
    """Where the last whole line ends; a carriage return at the very end may be half a line end."""
    return text.rfind(b"\n") + 1 or text.rfind(b"\r", 0, -1) + 1


def _line_feeds(text: bytes) -> bytes:
    """Lines ended by line feeds, with a carriage return before or not: never by it alone."""
    if text.count(b"\r") == text.count(b"\r\n"):
        return text
    return text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _told(encoding: str, codec: str, table: Table) -> list[str]:
    """Remarks about how the text is written."""
    words = {"\t": "tab", ";": "semicolon", "|": "bar", " ": "blanks"}
    told = [f"delimiter: {words.get(table.delimiter, table.delimiter)}"]
    if encoding != "utf-8":
        told.insert(0, f"encoding: {encoding.upper()}")
    elif codec != "utf-8":
        told.insert(0, "encoding: an 8-bit code page")
    return [] if told == ["delimiter: ,"] else told


def _rate(rate_hz: float | Fraction | str | None) -> Fraction | None:
    if rate_hz is None:
        return None
    rate = rate_of(str(rate_hz))
    if rate is None or rate <= 0:
        raise ValueError(f"a sample rate is a number of Hz above 0, not {rate_hz!r}")
    return rate


def _unit(word: str | None) -> str | None:
    unit = word if word in (None, "sample") else unit_of(word or "")
    if word is not None and unit is None:
        raise ValueError(f"a time unit is s, ms, us, ns, ps or sample, not {word!r}")
    return unit
