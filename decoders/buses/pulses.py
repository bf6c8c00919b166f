"""The pulses of one line, as a fold over edges.

A pulse lasts from one edge of its line to the next. One that observation cuts, at its beginning or
end, has no known width and is none. Its period is the time since the pulse before it began, and not
known of the first in an observed stretch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Edges

Times = npt.NDArray[np.int64]

NO_PERIOD = -1
_BLOCK = 1 << 16  # rows at a time, so that the columns in between stay in the cache


@dataclass(frozen=True, slots=True, eq=False)
class Pulses:
    """Pulses of one line at one level in time order; n rows, n may be 0."""

    start_ns: Times  # [n]
    end_ns: Times  # [n]
    period_ns: Times  # [n] since the start of the one before; NO_PERIOD where that is not known

    def __len__(self) -> int:
        return len(self.start_ns)

    @property
    def width_ns(self) -> Times:
        """How long each lasts, int64[n]."""
        return self.end_ns - self.start_ns


def no_pulses() -> Pulses:
    """A table of no rows."""
    none = np.empty(0, np.int64)
    return Pulses(none, none, none)


def concatenated(parts: Sequence[Pulses]) -> Pulses:
    """Several tables as one, in the order given."""
    tables = [part for part in parts if len(part)]
    if not tables:
        return no_pulses()
    if len(tables) == 1:
        return tables[0]
    return Pulses(
        np.concatenate([part.start_ns for part in tables]),
        np.concatenate([part.end_ns for part in tables]),
        np.concatenate([part.period_ns for part in tables]),
    )


class PulseDecoder:
    """Take the pulses of a line; however the edges are cut into blocks, all rows are the same.

    Args:
        line: bit number in `Edges.levels`.
        high: whether its high pulses are taken, else its low ones.

    Raises:
        ValueError: if there is no such bit.
    """

    def __init__(self, line: int, *, high: bool = True) -> None:
        if not 0 <= line < 64:
            raise ValueError(f"line is {line}, not 0 to 63")
        self._line, self._high = line, high
        self._level: int | None = None  # of the last row; None before anything was observed
        self._begun_ns: int | None = None  # start of the pulse that lasts
        self._last_ns: int | None = None  # start of the last one of the stretch

    def feed(self, edges: Edges) -> Pulses:
        """Take the next edges; return the pulses they complete."""
        t_ns, levels = edges.t_ns, edges.levels
        if not len(t_ns):
            return no_pulses()
        if 8 * levels.itemsize <= self._line:
            raise ValueError(f"line {self._line} of {8 * levels.itemsize} lines")
        at = 0
        if edges.begins or self._level is None:
            self._level, at = int(levels[0]), 1
            self._begun_ns = self._last_ns = None
        parts = []
        for first in range(at, len(t_ns), _BLOCK):
            part = slice(first, first + _BLOCK)
            parts.append(self._take(t_ns[part], levels[part]))
        return concatenated(parts)

    def _take(self, t_ns: Times, levels: npt.NDArray[np.unsignedinteger]) -> Pulses:
        mask = levels.dtype.type(1 << self._line)
        before = np.empty_like(levels)
        before[0], before[1:] = self._level, levels[:-1]
        self._level = int(levels[-1])
        # nonzero of bools is three times as fast as of integers
        rows = ((levels ^ before) & mask).astype(np.bool_).nonzero()[0]
        if not len(rows):
            return no_pulses()
        at_ns = t_ns.take(rows)
        begins_first = bool(levels[rows[0]] & mask) == self._high  # edges of a line take turns
        start_ns, end_ns = at_ns[int(not begins_first) :: 2], at_ns[int(begins_first) :: 2]
        if not begins_first:
            if self._begun_ns is None:
                end_ns = end_ns[1:]  # of a pulse whose start was not seen
            else:
                start_ns = np.append(self._begun_ns, start_ns)
        lasts = len(start_ns) > len(end_ns)
        self._begun_ns = int(start_ns[-1]) if lasts else None
        start_ns = start_ns[: len(end_ns)]
        if not len(start_ns):
            return no_pulses()
        period_ns = np.empty(len(start_ns), np.int64)
        np.subtract(start_ns[1:], start_ns[:-1], out=period_ns[1:])
        period_ns[0] = NO_PERIOD if self._last_ns is None else start_ns[0] - self._last_ns
        self._last_ns = int(start_ns[-1])
        return Pulses(start_ns, end_ns, period_ns)
