"""Blocks of whole lines into edge rows: runs of equal lines, lines of changing shape, odd lines.

Three ways, each falling back to the next: a run of lines of one shape is a byte matrix without a
look at line ends; lines of changing length are sorted by length and shape, and each sort is a
matrix; what has no shape goes to the careful lines, one at a time.
"""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from decoders.captures.delimited_layout import Layout
from decoders.captures.delimited_lines import CarefulLines
from decoders.captures.delimited_matrix import Matrix, Times, sample_times
from decoders.captures.delimited_rows import EMPTY, FINER
from decoders.captures.delimited_shape import shape_of
from decoders.captures.delimited_sorts import Sorts
from decoders.captures.delimited_template import Bytes, ShapedLines
from decoders.captures.edge_rows import EdgeRows

_FIRST_RUN = 128  # lines tried as a run before longer ones
_SHORT_RUN = 256  # a run shorter than this on average is not worth it
_MOST_SHORT_RUNS = 8  # a block
_PIECE_BYTES = 1 << 20  # sorted by shape at a time
_MOST_SHAPES = 32  # tried for lines of one length
_KEPT_SHAPES = 64
_LONGEST_LINE = 512
_DIGITS = bytes.maketrans(b"123456789", b"000000000")
_EXPONENT = re.compile(rb"[eE][+-]?[0-9]+")


class LineBlocks:
    """Read blocks of whole lines, each ended by a line feed, as fast as their form allows."""

    def __init__(self, layout: Layout, careful: CarefulLines, edges: EdgeRows) -> None:
        self._layout = layout
        self._careful = careful
        self._edges = edges
        self._numbered = layout.time.index is None
        sampled = layout.time.kind == "sample"
        self._matrix = Matrix(layout.time.period_ns if sampled else None)
        self._shapes: dict[bytes, ShapedLines | None] = {}
        self._try_rows = _FIRST_RUN
        self._scattered_blocks = 0  # blocks to read by shape before runs are tried again

    def take(self, text: Bytes) -> None:
        """Read whole lines.

        Raises:
            RowError: when the file has gone bad; the rows before are in the edge rows.
        """
        at = 0
        if not self._scattered_blocks:
            at = self._runs(text)
        else:
            self._scattered_blocks -= 1
        while at < len(text):
            read = self._one if self._careful.needs_care else self._scattered
            at = read(text, at)

    def _runs(self, text: Bytes) -> int:
        """Read runs of lines; return where runs ceased to be worth it."""
        at = broken = 0
        rows_before = self._edges.rows
        while at < len(text):
            lines = None
            if not self._careful.needs_care:
                lines = self._lines_like(_line_at(text, at))
            if lines is not None and lines.shape.carried:  # needs the row before
                lines = None
            rows = 0
            if lines is not None:
                rows = self._run(lines, text[at:])
                at += rows * lines.length
            if not rows:
                at = self._one(text, at)
            broken += 1
            if broken > _MOST_SHORT_RUNS:
                if self._edges.rows - rows_before < _SHORT_RUN * broken:
                    self._scattered_blocks = 16
                    return at
                broken, rows_before = 0, self._edges.rows
        return at

    def _run(self, lines: ShapedLines, text: Bytes) -> int:
        """Read lines while they have the shape and their times do not fall; return how many."""
        done, total = 0, len(text) // lines.length
        while done < total:
            rows = min(self._try_rows, lines.rows_at_once, total - done)
            part = text[done * lines.length : (done + rows) * lines.length]
            bad = self._matrix.check(lines, part, rows)
            good = rows if bad is None else int(bad.argmax()) // lines.length
            if bad is not None and good:
                self._matrix.check(lines, part, good)
            kept = self._keep(good) if good else 0
            done += kept
            if kept < rows:
                self._try_rows = _FIRST_RUN
                break
            self._try_rows = min(8 * self._try_rows, 1 << 20)
        return done

    def _keep(self, rows: int) -> int:
        """Keep the lines the matrix has taken, up to where the time falls; return how many."""
        edges = self._edges
        t, levels = edges.room(rows)
        self._matrix.levels(levels)
        changes = edges.changes(rows)
        if 4 * np.count_nonzero(changes) < rows and self._keep_changed(rows, changes):
            return rows
        if self._numbered:
            self._number(t, edges.rows)
        else:
            self._matrix.times(t)
        rows = self._keep_rising(t, edges.filled)
        if self._asks_finer() and self._matrix.finer()[:rows].any():
            self._careful.rows.odd.mention(FINER)
        return rows

    def _keep_changed(self, rows: int, changes: npt.NDArray[np.bool_]) -> bool:
        """Keep rows of which few change, working out the times of those alone."""
        edges = self._edges
        which = np.flatnonzero(changes)
        ends = np.concatenate(([0], which, [rows - 1]))
        times: Times | None
        if self._numbered:
            times = ends.astype(np.int64)
            times += edges.rows
            sample_times(times, self._layout.time.period_ns)
        else:
            times = self._matrix.sparse_times(ends)
        if times is None or (edges.last_ns is not None and times[0] < edges.last_ns):
            return False
        if not edges.on_beat(rows, int(times[0]), int(times[-1])):
            return False
        edges.keep_some(rows, which, times[1:-1], int(times[-1]))
        self._careful.next_line += rows
        return True

    def _keep_rising(self, t: Times, place: int) -> int:
        """Keep rows whose words stand in the edge rows at `place` while their times do not fall.

        Returns:
            How many were kept.
        """
        edges, rows = self._edges, len(t)
        if not rows or (edges.last_ns is not None and t[0] < edges.last_ns):
            return 0
        falls = t[1:] < t[:-1]
        if falls.any():
            rows = int(falls.argmax()) + 1
        edges.keep(rows, place - edges.filled)
        self._careful.next_line += rows
        return rows

    def _number(self, t: Times, first: int) -> None:
        t[:] = np.arange(first, first + len(t))
        sample_times(t, self._layout.time.period_ns)

    def _asks_finer(self) -> bool:
        return FINER not in self._careful.rows.odd.counts

    def _one(self, text: Bytes, at: int) -> int:
        """Read one line with care; return where the next begins."""
        line = _line_at(text, at)
        self._careful.line(line)
        return at + len(line)

    def _lines_like(self, line: bytes) -> ShapedLines | None:
        """The shape of a line from those kept, or made; None when it has none."""
        if len(line) > _LONGEST_LINE:
            return None
        key = line.translate(_DIGITS)
        if b"e" in line or b"E" in line:  # an exponent stands fixed, so it tells shapes apart
            key += b"".join(_EXPONENT.findall(line))
        if key in self._shapes:
            return self._shapes[key]
        shape = shape_of(line, self._layout)
        if len(self._shapes) >= _KEPT_SHAPES:
            self._shapes.clear()
        lines = self._shapes[key] = None if shape is None else ShapedLines(shape)
        return lines

    def _scattered(self, text: Bytes, at: int) -> int:
        """Read a piece of lines sorted by length and shape; return where the next line begins."""
        piece = text[at : at + _PIECE_BYTES]
        ends = np.flatnonzero(piece == 10) + 1
        if not len(ends):
            return self._one(text, at)
        starts = np.empty_like(ends)
        starts[0], starts[1:] = 0, ends[:-1]
        place = self._edges.filled
        t, levels = self._edges.room(len(ends))
        count = len(ends)
        sorts = Sorts.of(t, levels)
        self._by_shape(piece, starts, ends, sorts)
        row = 0
        for stop in [*np.flatnonzero(~sorts.done).tolist(), count]:
            while row <= stop and row < count:
                row += self._keep_sorted(sorts, row, stop, place)
                if row < count:  # without a shape, or its time falls
                    self._careful.line(piece[starts[row] : ends[row]].tobytes())
                    row += 1
                if self._careful.needs_care:
                    return at + int(ends[row - 1])
        return at + int(ends[-1])

    def _keep_sorted(self, sorts: Sorts, row: int, stop: int, place: int) -> int:
        """Keep the rows from `row` to `stop` while their times do not fall; return how many."""
        if self._numbered:
            self._number(sorts.t[row:stop], self._edges.rows)
        line = self._careful.next_line
        empty = sorts.empty[row:stop]
        if empty.any():
            sorts.carry(row, stop, self._edges.level)
        kept = self._keep_rising(sorts.t[row:stop], place + row)
        if empty[:kept].any():
            first = line + int(np.argmax(empty[:kept] > 0))
            self._careful.rows.odd.note(EMPTY, first, int(empty[:kept].sum()))
        if self._asks_finer() and sorts.finer[row : row + kept].any():
            self._careful.rows.odd.mention(FINER)
        return kept

    def _by_shape(
        self,
        piece: Bytes,
        starts: npt.NDArray[np.intp],
        ends: npt.NDArray[np.intp],
        sorts: Sorts,
    ) -> None:
        """Write time and level of every line that has a shape, and mark it as done."""
        lengths = np.minimum(ends - starts, _LONGEST_LINE + 1).astype(np.uint16)
        order = np.argsort(lengths, kind="stable")
        borders = np.flatnonzero(np.diff(lengths[order])) + 1
        for group in np.split(order, borders):
            length = int(lengths[group[0]])
            if length > _LONGEST_LINE:
                continue
            windows = np.ndarray((len(piece) - length + 1,), f"V{length}", piece, strides=(1,))
            matrix = windows[starts[group]].view(np.uint8).reshape(-1, length)
            for _ in range(_MOST_SHAPES):
                if not len(group):
                    break
                lines = self._lines_like(matrix[0].tobytes())
                fits = np.zeros(len(group), np.bool_)
                if lines is not None:
                    self._fitting(lines, matrix, fits, group, sorts)
                    sorts.done[group[fits]] = True
                fits[0] = True  # one without a shape is left to the careful lines
                group, matrix = group[~fits], matrix[~fits]

    def _fitting(
        self,
        lines: ShapedLines,
        matrix: Bytes,
        fits: npt.NDArray[np.bool_],
        group: npt.NDArray[np.intp],
        sorts: Sorts,
    ) -> None:
        """Write time and level of the lines of a matrix that have the shape; mark them."""
        for at in range(0, len(matrix), lines.rows_at_once):
            part = matrix[at : at + lines.rows_at_once]
            where = group[at : at + len(part)]
            bad = self._matrix.check(lines, part.reshape(-1), len(part))
            good = fits[at : at + len(part)]
            good[:] = True
            if bad is not None:
                np.logical_not(bad.reshape(part.shape).any(axis=1), out=good)
                part, where = part[good], where[good]
                if not len(part):
                    continue
                self._matrix.check(lines, part.reshape(-1), len(part))
            words = np.empty(len(part), sorts.levels.dtype)
            self._matrix.levels(words)
            sorts.levels[where] = words
            if lines.shape.carried:
                sorts.carried[where] = lines.shape.carried
                sorts.empty[where] = min(255, lines.shape.empty)
            if not self._numbered:
                times = np.empty(len(part), np.int64)
                self._matrix.times(times)
                sorts.t[where] = times
                if self._asks_finer():
                    sorts.finer[where] = self._matrix.finer()


def _line_at(text: Bytes, at: int) -> bytes:
    """The line that begins at a place, with its line feed."""
    width = 128
    while True:
        part = text[at : at + width]
        found = np.flatnonzero(part == 10)
        if len(found):
            return part[: found[0] + 1].tobytes()
        if at + width >= len(text):
            return part.tobytes()
        width *= 8
