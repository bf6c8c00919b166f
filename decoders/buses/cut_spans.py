"""Transactions that lost clocks: where in them rows of the capture may be missing; a fold.

A byte that a STOP or a START cuts short can be a fault of a device, or of the capture: when rows
were lost, the clock seems to stand still where they were. If one pulse of SCL in such a transaction
is much longer than its others, the longest step from row to row in that pulse is the place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.transactions import ENDED_BY, Transactions, problem_bit
from decoders.captures.edges import Edges

_BAD = problem_bit("cut-in-byte") | problem_bit("no-stop")
_AT_BORDER = problem_bit("begins-cut") | problem_bit("ends-cut")
_STUCK = ENDED_BY.index("stuck")
_LONG = (
    1.8  # times the median: more than a pulse's jitter, less than two pulses and the gap between
)
_FEWEST_PULSES = 4
_KEPT_ROWS = 3 << 17  # more than the decoder holds back
_REMEMBERED = 1000


@dataclass(frozen=True, slots=True)
class CutSpan:
    """A transaction that cannot be read as a whole."""

    from_ns: int  # of the place where rows may be missing, else of the transaction
    until_ns: int
    rows_missing: bool  # the clock stood still for longer than it does elsewhere in it


class CutSpans:
    """Feed it the edges of a bus and the transactions that its decoder gave for them.

    Args:
        scl: bit number of SCL in `Edges.levels`.
        sda: bit number of SDA.

    Attributes:
        found: the first 1000.
        count: of all.
    """

    def __init__(self, scl: int, sda: int) -> None:
        self.found: list[CutSpan] = []
        self.count = 0
        self._scl, self._sda = scl, sda
        self._kept: list[Edges] = []  # not yet behind the decoder

    def feed(self, edges: Edges | None, rows: Transactions) -> None:
        """Take edges, None at the end, and the transactions they completed."""
        if edges is not None and len(edges.t_ns):
            self._kept.append(edges)
        if not len(rows):
            self._drop(None)
            return
        bad = (rows.problems & _BAD > 0) & (rows.problems & _AT_BORDER == 0)
        for k in np.flatnonzero(bad & (rows.ended_by != _STUCK)).tolist():
            self.count += 1
            if len(self.found) < _REMEMBERED:
                self.found.append(self._span(int(rows.start_ns[k]), int(rows.end_ns[k])))
        self._drop(int(rows.end_ns[-1]))

    def _drop(self, done_ns: int | None) -> None:
        """Let go of edges that no later transaction can hold."""
        if done_ns is not None:
            self._kept = [block for block in self._kept if int(block.t_ns[-1]) >= done_ns]
        while sum(len(block.t_ns) for block in self._kept) > _KEPT_ROWS and len(self._kept) > 1:
            del self._kept[0]

    def _span(self, start_ns: int, end_ns: int) -> CutSpan:
        whole = CutSpan(start_ns, end_ns, rows_missing=False)
        t_ns, scl, sda = self._rows(start_ns, end_ns)
        clock = np.flatnonzero(scl[1:] != scl[:-1]) + 1
        if len(clock) <= _FEWEST_PULSES:
            return whole
        width = np.diff(t_ns[clock])
        level = scl[clock[:-1]]
        ratio = np.zeros(len(width))
        for high in (0, 1):
            same = level == high
            if same.any():
                ratio[same] = width[same] / max(float(np.median(width[same])), 1.0)
        at = int(ratio.argmax())
        if ratio[at] < _LONG:
            return whole
        inside = slice(int(clock[at]), int(clock[at + 1]) + 1)
        moved = (scl[inside][1:] != scl[inside][:-1]) | (sda[inside][1:] != sda[inside][:-1])
        times = t_ns[inside][np.append(True, moved)]
        step = int(np.diff(times).argmax())
        return CutSpan(int(times[step]), int(times[step + 1]), rows_missing=True)

    def _rows(
        self, start_ns: int, end_ns: int
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
        """Times and levels of both lines in a stretch of time."""
        times, words = [], []
        for block in self._kept:
            part = slice(
                int(np.searchsorted(block.t_ns, start_ns)),
                int(np.searchsorted(block.t_ns, end_ns, side="right")),
            )
            times.append(block.t_ns[part])
            words.append(block.levels[part])
        if not times:
            none = np.empty(0, np.uint8)
            return np.empty(0, np.int64), none, none
        levels = np.concatenate(words).astype(np.uint64)
        scl, sda = (
            (levels >> np.uint64(line) & np.uint64(1)).astype(np.uint8)
            for line in (self._scl, self._sda)
        )
        return np.concatenate(times), scl, sda
