"""The fast way for the commonest layout: one scalar change a step, lines of equal length.

`#1234567` and `1!` in turn make rows of equal length, so a stretch of them is a byte matrix: every
row is checked against a template in one comparison, the digits of all rows are read together, and
a table turns value and code into the bit that changes. A writer dumps only what changed, so each
change is taken for a toggle of its line, and then checked to have given the value that it says.

The stretch ends with the first row that does not fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Levels
from decoders.captures.vcd_digits import (
    GROUP,
    LAST,
    MOST_GROUPS,
    number,
    numbers_in_place,
)
from decoders.captures.vcd_levels import LevelState
from decoders.captures.vcd_tables import Tables

_PROBE_ROWS = 64
_FRONT = 32  # scratch bytes before the first row, for words that end in it


@dataclass(frozen=True, slots=True)
class Layout:
    """How long the parts of a row are, in bytes: a line `#time` and a line `value code`."""

    digits: int
    code: int

    @property
    def row(self) -> int:
        """Length of the whole row, with its two line feeds."""
        return 1 + self.digits + 1 + 1 + self.code + 1

    @staticmethod
    def of(text: bytes, at: int, end: int) -> Layout | None:
        """The layout of the row that begins at `at`, if it is one that can be read here."""
        first = text.find(b"\n", at, end)
        second = text.find(b"\n", first + 1, end) if first >= 0 else -1
        layout = Layout(first - at - 1, second - first - 2)
        fits = text[at] == 0x23 and 1 <= layout.digits <= GROUP * MOST_GROUPS
        return layout if second >= 0 and fits and 1 <= layout.code <= 2 else None


class StepMatrix:
    """Reads stretches of rows; keeps its scratch columns and templates between them."""

    def __init__(self) -> None:
        self._layout = Layout(0, 0)
        self._template = self._limits = self._rest = np.empty(0, np.uint8)
        self._fits = np.empty(0, np.bool_)
        self._scratch: dict[str, npt.NDArray[Any]] = {}

    def take(
        self, text: bytes, at: int, end: int, state: LevelState, tables: Tables
    ) -> tuple[int, int]:
        """Read rows from `text[at]`, the start of a line, on.

        Returns:
            (rows, bytes) that were read, both 0 when the first rows do not fit.
        """
        layout = Layout.of(text, at, end)
        if layout is None or (layout.code > 1 and not tables.packed):
            return 0, 0
        most = (end - at) // layout.row
        if most < _PROBE_ROWS or self._fitting(text, at, _PROBE_ROWS, layout) < _PROBE_ROWS:
            return 0, 0
        rows = self._fitting(text, at, most, layout)
        rows = self._read(layout, rows, state, tables)
        return rows, rows * layout.row

    def _fitting(self, text: bytes, at: int, rows: int, layout: Layout) -> int:
        """Compare rows with the template, into the scratch; return how many fit."""
        size = rows * layout.row
        if layout != self._layout or len(self._template) < size:
            self._prepare(layout, rows + rows // 4)
        rest = self._rest[_FRONT : _FRONT + size]
        fits = self._fits[:size]
        np.bitwise_xor(np.frombuffer(text, np.uint8, size, at), self._template[:size], out=rest)
        np.less_equal(rest, self._limits[:size], out=fits)
        return rows if fits.all() else int(np.argmin(fits)) // layout.row

    def _prepare(self, layout: Layout, rows: int) -> None:
        row = b"#" + b"0" * layout.digits + b"\n" + bytes(1 + layout.code) + b"\n"
        free = b"\x00" + b"\x09" * layout.digits + b"\x00" + b"\xff" * (1 + layout.code) + b"\x00"
        self._layout = layout
        self._template = np.tile(np.frombuffer(row, np.uint8), rows)
        self._limits = np.tile(np.frombuffer(free, np.uint8), rows)
        if len(self._fits) < rows * layout.row:
            self._rest = np.zeros(_FRONT + rows * layout.row, np.uint8)
            self._fits = np.empty(rows * layout.row, np.bool_)

    def _read(self, layout: Layout, rows: int, state: LevelState, tables: Tables) -> int:
        """Read rows that fit the template; return how many could be read after all."""
        base, times = self._times(layout, rows)
        if times is None:
            return 0
        rising = times[1:] > times[:-1]
        rows = rows if rising.all() else int(np.argmin(rising)) + 1
        if base + int(times[0]) <= state.raw or base + int(times[rows - 1]) > state.latest:
            return 0
        mask, want = self._changes(layout, rows, tables)
        words = np.bitwise_xor.accumulate(mask, out=self._room("words", rows, mask.dtype))
        words ^= mask.dtype.type(state.word)
        mask &= words
        good = mask == want
        if not good.all():
            rows = int(np.argmin(good))
        if rows:
            state.advance(base, times[:rows], words[:rows])
        return rows

    def _room(self, name: str, rows: int, dtype: npt.DTypeLike) -> npt.NDArray[Any]:
        """A scratch column: fresh ones for every block would fault in again and again."""
        room = self._scratch.get(name)
        if room is None or len(room) < rows or room.dtype != dtype:
            room = self._scratch[name] = np.empty(rows + rows // 4, dtype)
        return room[:rows]

    def _column(
        self, layout: Layout, column: int, dtype: str, into: npt.NDArray[Any]
    ) -> npt.NDArray[Any]:
        """The bytes from `column` of every row on, as numbers, copied into scratch."""
        view: npt.NDArray[Any] = np.ndarray(
            (len(into),), dtype, self._rest, _FRONT + column, (layout.row,)
        )
        np.copyto(into, view)
        return into

    def _times(self, layout: Layout, rows: int) -> tuple[int, npt.NDArray[np.int64] | None]:
        """Times as base + column; no column when they do not fit one."""
        base = 0
        total: npt.NDArray[np.int64] | None = None
        for group in range((layout.digits + GROUP - 1) // GROUP):
            kept = min(layout.digits - GROUP * group, GROUP)
            column = 1 + layout.digits - GROUP * (group + 1)
            into = self._room(f"digits {group}", rows, np.uint64)
            words = self._column(layout, column, "<u8", into)
            if kept < GROUP:
                words &= LAST[kept]
            scale = 10 ** (GROUP * group)
            if group and words[0] == words[-1] and (words == words[0]).all():
                base += number(int(words[0])) * scale
                continue
            if group == MOST_GROUPS - 1:
                return 0, None
            numbers_in_place(words)
            times = words.view(np.int64)
            if total is None:
                total = times
            else:
                times *= scale
                total += times
        return base, total

    def _changes(self, layout: Layout, rows: int, tables: Tables) -> tuple[Levels, Levels]:
        """Bit of the line that changes, and the same bit or 0 for the value it takes."""
        mask = self._room("mask", rows, tables.mask.dtype)
        want = self._room("want", rows, tables.mask.dtype)
        codes = self._room("codes", rows, np.intp)
        if layout.code == 1:  # value and code are one number
            self._column(layout, layout.digits + 2, "<u2", codes)
            tables.pair_mask.take(codes, out=mask, mode="clip")
            tables.pair_want.take(codes, out=want, mode="clip")
            return mask, want
        values = self._column(layout, layout.digits + 2, "u1", self._room("values", rows, np.intp))
        self._column(layout, layout.digits + 3, "<u2", codes)
        tables.mask.take(codes, out=mask, mode="clip")
        np.bitwise_and(mask, tables.level.take(values), out=want)
        bad = (tables.code_class.take(codes) & tables.value_class.take(values)) == 0
        if bad.any():
            mask[bad], want[bad] = 0, 1
        return mask, want
