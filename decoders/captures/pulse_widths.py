"""How wide the pulses of some lines are: the narrowest, and how all are spread; a fold over edges.

A width is the time from one edge of a line to its next. The first and the last of an observed
stretch are cut and not counted. Widths are counted in bins an eighth of an octave wide, so memory
is fixed; bins come straight from the bits of a float, which is several times faster than log2. Of
each line and level the first 65,536 pulses are counted and then every eighth; for the narrowest
every pulse is looked at.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Edges

_SHIFT = 20  # a float32 has 23 bits of fraction: its top 3 and the exponent make the bin
_BASE = 127 << 3  # bin of 1.0
_BINS = 64 << 3
_EVERY = 16  # steps of the rows looked at for a common divisor
_ALL = 1 << 16  # pulses of a line and level that are all counted
_THEN_EVERY = 8
_BLOCK_ROWS = 1 << 16  # at a time, so that the columns in between stay in the cache


@dataclass(slots=True)
class Widths:
    """The pulses of one line at one level."""

    counts: npt.NDArray[np.int64]  # [bins]
    narrowest_ns: int  # 0 when there is none
    narrowest_at_ns: int  # where it began
    pulses: int = 0  # how many there were

    def share_up_to(self, width_ns: float) -> float:
        """Which part of the counted ones is no wider, to an eighth of an octave; 0 of none."""
        total = int(self.counts.sum())
        if not total or width_ns < 1:
            return 0.0
        return int(self.counts[: _bin(width_ns) + 1].sum()) / total

    def median_ns(self) -> int:
        """The width in the middle, to an eighth of an octave (its lower border); 0 when none."""
        total = int(self.counts.sum())
        if not total:
            return 0
        return round(_lower_ns(int(np.searchsorted(np.cumsum(self.counts), (total + 1) // 2))))


class PulseWidths:
    """Feed it edges; ask for the widths of each line at any time.

    Args:
        lines: bit numbers in `Edges.levels`.

    Attributes:
        steps_seen: how many steps from row to row `step_ns` was told from.
    """

    def __init__(self, lines: Sequence[int]) -> None:
        self.lines = tuple(lines)
        self._widths = {(line, high): _none() for line in lines for high in (False, True)}
        self._last_edge: dict[int, int] = {}  # line -> its last edge of the stretch, ns
        self._level = 0  # of the last row
        self._last_ns: int | None = None
        self._divisor = 0
        self.steps_seen = 0
        self._phase = 0  # rows since the last step that was looked at

    def feed(self, edges: Edges) -> None:
        """Take the next edges."""
        t_ns, levels = edges.t_ns, edges.levels
        begin = 0
        if len(t_ns) and (edges.begins or self._last_ns is None):
            self._last_edge.clear()
            self._level, self._last_ns, begin = int(levels[0]), int(t_ns[0]), 1
        for first in range(begin, len(t_ns), _BLOCK_ROWS):
            part = slice(first, min(first + _BLOCK_ROWS, len(t_ns)))
            self._take(t_ns[part], levels[part])

    def of(self, line: int, *, high: bool) -> Widths:
        """The widths of one line at one level."""
        return self._widths[line, high]

    @property
    def step_ns(self) -> int:
        """The largest time of which every step looked at is a multiple; 0 when none was seen.

        Where times are samples rounded to a fraction of the period it is too small, never too
        large by chance but in the shortest of captures.
        """
        return self._divisor

    def _take(self, t_ns: npt.NDArray[np.int64], levels: npt.NDArray[np.unsignedinteger]) -> None:
        before = np.empty_like(levels)
        before[0], before[1:] = self._level, levels[:-1]
        changed = levels ^ before
        for line in self.lines:
            mask = levels.dtype.type(1 << line)
            # nonzero of bools is three times as fast as of integers
            self._line(line, t_ns, levels, (changed & mask).astype(np.bool_).nonzero()[0])
        self._steps(t_ns)
        self._level, self._last_ns = int(levels[-1]), int(t_ns[-1])

    def _line(
        self,
        line: int,
        t_ns: npt.NDArray[np.int64],
        levels: npt.NDArray[np.unsignedinteger],
        rows: npt.NDArray[np.intp],
    ) -> None:
        if not len(rows):
            return
        at = t_ns.take(rows)
        # The line changes at every row of `rows`, so its levels take turns.
        ends_high = not int(levels[rows[0]]) >> line & 1
        last = self._last_edge.get(line)
        self._last_edge[line] = int(at[-1])
        if last is not None:
            at = np.concatenate([[last], at])
        else:
            ends_high = not ends_high
        width = np.diff(at)
        for first, high in ((0, ends_high), (1, not ends_high)):
            self._count(self._widths[line, high], at[first::2], width[first::2])

    @staticmethod
    def _count(
        widths: Widths, begin_ns: npt.NDArray[np.int64], width_ns: npt.NDArray[np.int64]
    ) -> None:
        if not len(width_ns):
            return
        counted = width_ns
        if widths.pulses + len(width_ns) > _ALL:
            left = max(_ALL - widths.pulses, 0)
            number = max(widths.pulses, _ALL)
            first = left + -number % _THEN_EVERY
            counted = np.concatenate([width_ns[:left], width_ns[first::_THEN_EVERY]])
        widths.counts += np.bincount(_bins(counted), minlength=_BINS)
        widths.pulses += len(width_ns)
        at = int(width_ns.argmin())
        if not widths.narrowest_ns or width_ns[at] < widths.narrowest_ns:
            widths.narrowest_ns = max(int(width_ns[at]), 1)
            widths.narrowest_at_ns = int(begin_ns[at])

    def _steps(self, t_ns: npt.NDArray[np.int64]) -> None:
        """Every sixteenth step from row to row, counted over the whole capture."""
        rows = np.arange(-(self._phase + 1) % _EVERY, len(t_ns), _EVERY)
        self._phase = (self._phase + len(t_ns)) % _EVERY
        if not len(rows):
            return
        before = t_ns[rows - 1]
        if rows[0] == 0 and self._last_ns is not None:
            before[0] = self._last_ns
        steps = t_ns[rows] - before
        self.steps_seen += len(steps)
        self._divisor = math.gcd(self._divisor, int(np.gcd.reduce(steps)))


def _none() -> Widths:
    return Widths(np.zeros(_BINS, np.int64), 0, 0)


def _bins(width_ns: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Bin of each width; below 1 ns counts as 1 ns."""
    bits = np.maximum(width_ns, 1).astype(np.float32).view(np.int32) >> _SHIFT
    bins: npt.NDArray[np.int64] = np.subtract(bits, _BASE, dtype=np.int64)
    return bins


def _bin(width_ns: float) -> int:
    return int(_bins(np.array([int(width_ns)], np.int64))[0])


def _lower_ns(number: int) -> float:
    """Lower border of a bin."""
    octave, part = divmod(number, 8)
    return float(2.0**octave * (1 + part / 8))
