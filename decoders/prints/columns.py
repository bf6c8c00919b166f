"""Prints as columns: what the firmware printed, line by line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import msgspec
import numpy as np
import numpy.typing as npt

NO_TIME = -(2**63)  # stands for a time that is not there, int64 ns

LEVELS = ("", "error", "warning", "info", "debug")  # code -> word; "" when the line has none

# Code -> which clock `native_ns` is read from. Append only: stored runs hold the codes.
CLOCKS = (
    "none",  # the line has no stamp
    "ticks",  # time since start-up, in an epoch of its own after every restart
    "wall",  # ns since 1970
    "day",  # hours, minutes and seconds, without a date
)


@dataclass(frozen=True, slots=True, eq=False)
class Prints:
    """Lines of a serial log in the order they came; every column has n rows, n may be 0.

    Within one epoch `native_ns` is meant to rise; a line that came out of order may still fall.
    """

    at_byte: npt.NDArray[np.int64]  # [n] offset of the line's first byte in the stream; rises
    line_bytes: npt.NDArray[np.int64]  # [n] length of the line with its stamp, without its ending
    native_ns: npt.NDArray[np.int64]  # [n] firmware stamp, rollovers undone; NO_TIME when none
    clock: npt.NDArray[np.uint8]  # [n] index into CLOCKS
    epoch: npt.NDArray[np.int32]  # [n] 0, and one more after every restart or setting of the clock
    arrival_ns: npt.NDArray[np.int64]  # [n] host stamp of the line's first byte; NO_TIME when none
    level: npt.NDArray[np.uint8]  # [n] index into LEVELS
    first: npt.NDArray[np.int64]  # [n + 1] row i has the text data[first[i] : first[i + 1]]
    data: npt.NDArray[np.uint8]  # [m] raw bytes of the texts (what follows the stamp), end to end
    damaged: npt.NDArray[np.bool_]  # [n] bytes that are no UTF-8, NUL, stray control bytes or C1
    partial: npt.NDArray[
        np.bool_
    ]  # [n] not a whole line: no ending, or a piece of an over-long one
    fields: dict[str, list[str | None]]  # further named groups of the line pattern, n values each

    def __len__(self) -> int:
        return len(self.at_byte)

    @property
    def stamped(self) -> npt.NDArray[np.bool_]:
        """bool[n]: whether the line has a firmware stamp."""
        return np.not_equal(self.native_ns, NO_TIME)

    @property
    def arrived(self) -> npt.NDArray[np.bool_]:
        """bool[n]: whether the recording has a host stamp for the line."""
        return np.not_equal(self.arrival_ns, NO_TIME)

    def text_bytes(self, row: int) -> bytes:
        """The raw bytes of one row's text, a copy: escape and control bytes are in it."""
        return self.data[self.first[row] : self.first[row + 1]].tobytes()

    def text(self, row: int) -> str:
        """One row's text; bytes that are no UTF-8 as backslash escapes. Not safe to show."""
        return self.text_bytes(row).decode("utf-8", "backslashreplace")

    def texts(self) -> list[str]:
        """The text of every row, as `text` gives it."""
        whole = self.data.tobytes()
        ends = self.first.tolist()
        if whole.isascii():
            joined = whole.decode("ascii")
            return [joined[a:b] for a, b in pairwise(ends)]
        return [whole[a:b].decode("utf-8", "backslashreplace") for a, b in pairwise(ends)]

    def level_words(self) -> list[str]:
        """The level of every row: error, warning, info, debug or ""."""
        return [LEVELS[code] for code in self.level.tolist()]

    def fields_json(self) -> list[str | None]:
        """The further named groups of every row as a JSON object, None where it has none."""
        if not self.fields:
            return [None] * len(self)
        names = tuple(self.fields)
        rows = zip(*self.fields.values(), strict=True)
        kept = [
            {name: text for name, text in zip(names, row, strict=True) if text is not None}
            for row in rows
        ]
        return [msgspec.json.encode(row).decode() if row else None for row in kept]

    def rows(self, begin: int, end: int) -> Prints:
        """Rows begin to end; the columns are views."""
        first = self.first[begin : end + 1]
        return Prints(
            at_byte=self.at_byte[begin:end],
            line_bytes=self.line_bytes[begin:end],
            native_ns=self.native_ns[begin:end],
            clock=self.clock[begin:end],
            epoch=self.epoch[begin:end],
            arrival_ns=self.arrival_ns[begin:end],
            level=self.level[begin:end],
            first=first - first[0],
            data=self.data[first[0] : first[-1]],
            damaged=self.damaged[begin:end],
            partial=self.partial[begin:end],
            fields={name: values[begin:end] for name, values in self.fields.items()},
        )

    @classmethod
    def concat(cls, parts: Iterable[Prints]) -> Prints:
        """All rows of all parts, in order; a field some part lacks is None there."""
        tables = [part for part in parts if len(part)]
        if not tables:
            return NO_PRINTS
        if len(tables) == 1:
            return tables[0]
        first = np.zeros(sum(map(len, tables)) + 1, dtype=np.int64)
        np.cumsum(np.concatenate([np.diff(part.first) for part in tables]), out=first[1:])
        return cls(
            at_byte=np.concatenate([part.at_byte for part in tables]),
            line_bytes=np.concatenate([part.line_bytes for part in tables]),
            native_ns=np.concatenate([part.native_ns for part in tables]),
            clock=np.concatenate([part.clock for part in tables]),
            epoch=np.concatenate([part.epoch for part in tables]),
            arrival_ns=np.concatenate([part.arrival_ns for part in tables]),
            level=np.concatenate([part.level for part in tables]),
            first=first,
            data=np.concatenate([part.data for part in tables]),
            damaged=np.concatenate([part.damaged for part in tables]),
            partial=np.concatenate([part.partial for part in tables]),
            fields=_joined(tables),
        )


def _joined(tables: list[Prints]) -> dict[str, list[str | None]]:
    names = dict.fromkeys(name for part in tables for name in part.fields)
    return {
        name: [text for part in tables for text in part.fields.get(name, [None] * len(part))]
        for name in names
    }


def _empty() -> Prints:
    none = np.zeros(0, dtype=np.int64)
    codes = np.zeros(0, dtype=np.uint8)
    flags = np.zeros(0, dtype=np.bool_)
    return Prints(
        at_byte=none,
        line_bytes=none,
        native_ns=none,
        clock=codes,
        epoch=np.zeros(0, dtype=np.int32),
        arrival_ns=none,
        level=codes,
        first=np.zeros(1, dtype=np.int64),
        data=codes,
        damaged=flags,
        partial=flags,
        fields={},
    )


NO_PRINTS = _empty()
