"""The value changes of a dump: by columns where they are regular, with care where they are not."""

from __future__ import annotations

import numpy as np

from decoders.captures.edges import Assumed
from decoders.captures.vcd_changes import ChangeReader
from decoders.captures.vcd_levels import LevelState
from decoders.captures.vcd_matrix import StepMatrix
from decoders.captures.vcd_place import Cursor
from decoders.captures.vcd_scalars import BACK, FRONT, ScalarSteps
from decoders.captures.vcd_tables import Tables

PAD = b"0" * max(FRONT, BACK)
_LEAST_BYTES = 1024  # less text than this is not worth a look by columns
_LEAST_CARE = 256  # bytes read with care after what columns could not take
_MOST_CARE = 1 << 16
_PIECE_BYTES = 1 << 17  # taken line by line at once: more falls out of the second-level cache
_TIME = 0x23  # '#'
_LEAST_GAIN = 4096  # bytes by columns that were worth the look


class VcdBody:
    """A fold over the text behind the declarations."""

    def __init__(
        self,
        cursor: Cursor,
        state: LevelState,
        changes: ChangeReader,
        assumed: Assumed,
        by_columns: bool,
    ) -> None:
        self._cursor = cursor
        self._state = state
        self._changes = changes
        self._assumed = assumed
        self._by_columns = by_columns
        self._matrix = StepMatrix()
        self._scalars = ScalarSteps()
        self._tables: Tables | None = None
        self._tables_for = (-1, -1)
        self._care = _LEAST_CARE

    def take(self, text: bytes, at: int, end: int) -> None:
        """Take whole tokens: text[at:end], with PAD before and behind.

        Raises:
            CaptureError: at the token that cannot be read; everything before it counts.
        """
        while at < end:
            at += self._columns(text, at, end)
            if at < end:
                stop = text.find(b"\n", min(at + self._care, end - 1), end) + 1 or end
                self._changes.take(text[at:stop])
                at = stop

    def finish(self) -> None:
        """Check that the text did not end inside a change.

        Raises:
            CaptureError: when it did.
        """
        self._changes.finish()

    def _columns(self, text: bytes, at: int, end: int) -> int:
        """Take what can be taken by columns; return its bytes."""
        begin = at
        if self._can_try(end - at) and text[at] != _TIME:
            # Up to the next step with care, so that the rows of a matrix begin where it begins.
            stop = text.find(b"\n#", at, at + _LEAST_CARE) + 1 or at
            self._changes.take(text[at:stop])
            at = stop
        if self._can_try(end - at):
            tables = self._current_tables()
            rows, size = self._matrix.take(text, at, end, self._state, tables)
            self._pass(2 * rows, rows)
            at += size
        while self._can_try(end - at):  # what is left has another layout
            stop = text.rfind(b"\n", at, min(at + _PIECE_BYTES, end)) + 1
            if stop <= at:
                break  # a line longer than that
            whole, tables = np.frombuffer(text, np.uint8), self._current_tables()
            lines, changes, size = self._scalars.take(whole, at, stop, self._state, tables)
            self._pass(lines, changes)
            at += size
            if at < stop:
                break
        if self._by_columns:
            gained = at - begin >= _LEAST_GAIN
            self._care = _LEAST_CARE if gained else min(2 * self._care, _MOST_CARE)
        return at - begin

    def _can_try(self, size: int) -> bool:
        return (
            self._by_columns
            and size >= _LEAST_BYTES
            and self._cursor.column == 1
            and self._changes.clean
            and self._state.plain
        )

    def _pass(self, lines: int, changes: int) -> None:
        if lines:
            self._cursor.pass_lines(lines)
            self._assumed.rows += changes

    def _current_tables(self) -> Tables:
        """The tables for what is known now; they change a few times a file."""
        key = (self._state.unknown, len(self._changes.meanings))
        if self._tables is None or key != self._tables_for:
            self._tables = Tables(self._changes, self._state.unknown, self._state.rows.dtype)
            self._tables_for = key
        return self._tables
