"""Bytes to lines, whatever ends them.

CR, LF, CRLF and LFCR end a line, mixed as they come: an end mark takes the other one with it when
that follows at once. A line is given as soon as its end mark is there, so a live port shows it
without waiting for the second half of a CRLF. Empty lines are counted and left out. A line longer
than 64 KiB is cut into pieces of that length, so memory stays bounded.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from decoders.prints.columns import NO_TIME

LONGEST_BYTES = 1 << 16
_LF, _CR = 10, 13
_NAMES = {(_LF, 1): "LF", (_CR, 1): "CR", (_CR, 2): "CRLF", (_LF, 2): "LFCR"}
_SEPARATORS = {"LF": "\n", "CR": "\r", "CRLF": "\r\n", "LFCR": "\n\r"}

# What a text file has none of: C0 controls but BEL BS HT LF VT FF CR ESC.
_NO_TEXT = bytes(code for code in range(32) if code not in (7, 8, 9, 10, 11, 12, 13, 27))


class ArrivalTimes(Protocol):
    """When the host had each byte of a chunk."""

    def after(self, begin: int) -> ArrivalTimes:
        """The same of the chunk from byte `begin` on."""
        ...

    def of(self, at: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Host stamps of the bytes at these offsets, ns; NO_TIME where not known."""
        ...


@dataclass(frozen=True, slots=True)
class Arrivals:
    """Host stamps of the parts of a chunk: part k begins at byte first[k] and came at t_ns[k]."""

    first: npt.NDArray[np.int64]  # [k] rising from 0
    t_ns: npt.NDArray[np.int64]  # [k] ns on the host's clock; NO_TIME when not known

    @classmethod
    def at(cls, t_ns: int | None) -> Arrivals:
        """One stamp for the whole chunk."""
        stamp = NO_TIME if t_ns is None else t_ns
        return cls(np.zeros(1, dtype=np.int64), np.array([stamp], dtype=np.int64))

    def after(self, begin: int) -> Arrivals:
        """The stamps of the chunk from byte `begin` on."""
        if not begin or len(self.first) == 1:
            return self
        part = max(int(np.searchsorted(self.first, begin, side="right")) - 1, 0)
        return Arrivals(np.maximum(self.first[part:] - begin, 0), self.t_ns[part:])

    def of(self, at: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """The stamp of the part each offset lies in."""
        if len(self.first) == 1:
            return np.full(len(at), self.t_ns[0])
        part = np.searchsorted(self.first, at, side="right") - 1
        return self.t_ns[np.maximum(part, 0)]


@dataclass(frozen=True, slots=True, eq=False)
class RawLines:
    """Lines as bytes, n rows: row i is data[first[i] : end[i]], without its line ending."""

    data: bytes
    first: npt.NDArray[np.int64]  # [n]
    end: npt.NDArray[np.int64]  # [n]
    at_byte: npt.NDArray[np.int64]  # [n] offset of the first byte in the stream
    arrival_ns: npt.NDArray[np.int64]  # [n] host stamp of the first byte; NO_TIME when none
    begins: npt.NDArray[np.bool_]  # [n] False for the second and later pieces of an over-long line
    whole: npt.NDArray[np.bool_]  # [n] has its beginning and its ending
    separator: str  # what ends every line of `data` alike, "" when they differ

    def __len__(self) -> int:
        return len(self.first)

    def row(self, row: int) -> bytes:
        """The bytes of one line, a copy."""
        return self.data[self.first[row] : self.end[row]]

    def rows(self, begin: int, end: int) -> RawLines:
        """Lines begin to end; the columns are views."""
        return replace(
            self,
            first=self.first[begin:end],
            end=self.end[begin:end],
            at_byte=self.at_byte[begin:end],
            arrival_ns=self.arrival_ns[begin:end],
            begins=self.begins[begin:end],
            whole=self.whole[begin:end],
        )


class LineCutter:
    """A fold from bytes to lines, however the bytes are cut.

    Attributes:
        endings: how many lines ended with each of LF, CRLF, CR, LFCR.
        blank_lines: how many empty lines were left out.
        over_long: how many lines were longer than 64 KiB.
        bytes_seen: length of the stream so far.
    """

    def __init__(self) -> None:
        self.endings: Counter[str] = Counter()
        self.blank_lines = 0
        self.over_long = 0
        self.bytes_seen = 0
        self._tail = bytearray()  # of the line that has not ended, at most LONGEST_BYTES
        self._tail_arrival = NO_TIME
        self._tail_begins = True
        self._half = 0  # an end mark that was the last byte, and may be half of a pair

    def feed(self, chunk: bytes, arrivals: ArrivalTimes) -> RawLines:
        """Take the next bytes; return the lines they complete."""
        skip = self._other_half(chunk)
        base = self.bytes_seen + skip - len(self._tail)
        self.bytes_seen += len(chunk)
        chunk = chunk[skip:]
        at, width, codes = _end_marks(np.frombuffer(chunk, dtype=np.uint8))
        separator = self._count(at, width, codes, len(chunk))
        held = len(self._tail)
        if not len(at) and held + len(chunk) <= LONGEST_BYTES:
            if not held and chunk:
                self._tail_arrival = int(arrivals.of(np.array([skip]))[0])
            self._tail += chunk
            return NO_LINES
        data = bytes(self._tail) + chunk
        first = np.concatenate(([0], at + width + held))
        end = np.concatenate((at + held, [len(data)]))
        return self._release(data, first, end, base, arrivals, skip - held, separator)

    @property
    def tail_arrival_ns(self) -> int | None:
        """Host stamp of the line that has not ended; None without one, or without its stamp."""
        return self._tail_arrival if self._tail and self._tail_arrival != NO_TIME else None

    def finish(self) -> RawLines:
        """The last line when it has no ending."""
        if self._half:
            self.endings[_NAMES[self._half, 1]] += 1
            self._half = 0
        return self.cut()

    def cut(self) -> RawLines:
        """Give the line that has not ended as it is; what follows of it is a piece of its own."""
        data = bytes(self._tail)
        self._tail.clear()
        if not data:
            return NO_LINES
        begins, self._tail_begins = self._tail_begins, False
        return RawLines(
            data=data,
            first=np.array([0]),
            end=np.array([len(data)]),
            at_byte=np.array([self.bytes_seen - len(data)]),
            arrival_ns=np.array([self._tail_arrival]),
            begins=np.array([begins]),
            whole=np.array([False]),
            separator="",
        )

    def begin(self) -> None:
        """What comes next begins a line, whatever was cut."""
        self._tail_begins = True

    def _other_half(self, chunk: bytes) -> int:
        """1 when the chunk begins with the second half of the ending before it."""
        if not self._half or not chunk:
            return 0
        pair = chunk[0] in (_LF, _CR) and chunk[0] != self._half
        self.endings[_NAMES[self._half, 2 if pair else 1]] += 1
        self._half = 0
        return int(pair)

    def _count(
        self,
        at: npt.NDArray[np.int64],
        width: npt.NDArray[np.int64],
        codes: npt.NDArray[np.uint8],
        length: int,
    ) -> str:
        """Count the endings; return what separates all lines alike, or ""."""
        if not len(at):
            return ""
        kinds = np.bincount(codes.astype(np.int64) * 2 + width - 1, minlength=28)
        seen = {name: int(kinds[code * 2 + n - 1]) for (code, n), name in _NAMES.items()}
        self.endings.update(seen)
        if at[-1] + 1 == length:  # it may turn out to be half of a pair
            self._half = int(codes[-1])
            self.endings[_NAMES[self._half, 1]] -= 1
        names = [name for name, count in seen.items() if count]
        return _SEPARATORS[names[0]] if len(names) == 1 else ""

    def _release(
        self,
        data: bytes,
        first: npt.NDArray[np.int64],
        end: npt.NDArray[np.int64],
        base: int,
        arrivals: ArrivalTimes,
        shift: int,
        separator: str,
    ) -> RawLines:
        """Lines of `data`; the last, without an ending, becomes the new tail."""
        begins = np.ones(len(first), dtype=np.bool_)
        begins[0] = self._tail_begins
        whole = begins.copy()
        whole[-1] = False
        arrival = arrivals.of(first + shift)
        if self._tail:
            arrival[0] = self._tail_arrival
        if (end - first).max() > LONGEST_BYTES:
            separator = ""
            stamps = first + shift, arrivals
            first, end, begins, whole, arrival = self._pieces(
                first, end, begins, whole, arrival, stamps
            )
        self._tail = bytearray(data[first[-1] :])
        self._tail_begins = bool(begins[-1])
        self._tail_arrival = int(arrival[-1])
        kept = end[:-1] > first[:-1]
        blank = len(kept) - int(np.count_nonzero(kept))
        self.blank_lines += int(np.count_nonzero(~kept & begins[:-1]))
        rows: slice | npt.NDArray[np.bool_] = kept if blank else slice(None)
        return RawLines(
            data=data[: int(first[-1])],
            first=first[:-1][rows],
            end=end[:-1][rows],
            at_byte=first[:-1][rows] + base,
            arrival_ns=arrival[:-1][rows],
            begins=begins[:-1][rows],
            whole=whole[:-1][rows],
            separator=separator,
        )

    def _pieces(
        self,
        first: npt.NDArray[np.int64],
        end: npt.NDArray[np.int64],
        begins: npt.NDArray[np.bool_],
        whole: npt.NDArray[np.bool_],
        arrival: npt.NDArray[np.int64],
        stamps: tuple[npt.NDArray[np.int64], ArrivalTimes],
    ) -> tuple[
        npt.NDArray[np.int64],
        npt.NDArray[np.int64],
        npt.NDArray[np.bool_],
        npt.NDArray[np.bool_],
        npt.NDArray[np.int64],
    ]:
        """The same columns with every over-long line in pieces of at most LONGEST_BYTES."""
        count = np.maximum(-(-(end - first) // LONGEST_BYTES), 1)
        cut = count > 1
        self.over_long += int(np.count_nonzero(cut & begins))
        row = np.repeat(np.arange(len(first)), count)
        piece = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
        later = piece > 0
        in_chunk, arrivals = stamps
        piece_arrival = arrival[row]
        begun = in_chunk[row] + piece * LONGEST_BYTES
        piece_arrival[later] = arrivals.of(begun[later])
        piece_first = first[row] + piece * LONGEST_BYTES
        return (
            piece_first,
            np.minimum(piece_first + LONGEST_BYTES, end[row]),
            begins[row] & ~later,
            whole[row] & ~cut[row],
            piece_arrival,
        )


def looks_like_prints(head: bytes) -> bool:
    """Whether the beginning of a file reads as text somebody printed, by content alone.

    Bytes outside ASCII and stray controls pass, for a serial line loses and garbles; one byte in
    four that no text has does not (bytes at random have more than every second).
    """
    if not head.strip():
        return False
    controls = len(head) - len(head.translate(None, _NO_TEXT))
    try:
        head.decode("utf-8")
        foreign = 0
    except UnicodeDecodeError as error:
        cut_at_the_end = error.start >= len(head) - 3 and error.reason == "unexpected end of data"
        foreign = 0 if cut_at_the_end else sum(byte >= 0x80 for byte in head)
    return (controls + foreign) * 4 <= len(head)


def _end_marks(
    chunk: npt.NDArray[np.uint8],
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
    """Where lines end: offset, width (1 or 2 bytes) and first byte of every end mark."""
    marks = chunk == _LF
    returns = chunk == _CR
    if not returns.any():
        at = np.flatnonzero(marks)
        return at, np.ones(len(at), dtype=np.int64), chunk[at]
    at = np.flatnonzero(marks | returns)
    codes = chunk[at]
    # In a run of alternating neighbours (CR LF CR LF) every second one closes the pair before it.
    follows = np.zeros(len(at), dtype=np.bool_)
    follows[1:] = (np.diff(at) == 1) & (codes[1:] != codes[:-1])
    index = np.arange(len(at))
    run = np.maximum.accumulate(np.where(follows, 0, index))
    opens = (index - run) % 2 == 0
    width = np.ones(len(at), dtype=np.int64)
    width[:-1] += follows[1:]
    return at[opens], width[opens], codes[opens]


_NONE = np.zeros(0, dtype=np.int64)
_NO_FLAGS = np.zeros(0, dtype=np.bool_)
NO_LINES = RawLines(b"", _NONE, _NONE, _NONE, _NONE, _NO_FLAGS, _NO_FLAGS, "")
