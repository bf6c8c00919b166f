"""Edges outside transactions: idle spans and noise.

Edges after a STOP and before the next START are noise. A burst of noise lasts from its first edge
to its last; quiet for as long as the hold limit ends it. Quiet with both lines high is idle. Quiet
with a line low is a hold, which is reported with the other holds; a lone edge that begins or ends
such a hold is not called noise as well.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from decoders.buses.held_lines import IDLE, NOISE, StateRow, state_row
from decoders.buses.i2c_segments import OUTSIDE, Block


class Between:
    """What happens between a STOP and the next START; rows go to `rows`."""

    def __init__(self, idle_from_ns: int, rows: list[StateRow]) -> None:
        self._idle_from_ns = idle_from_ns
        self._edges = 0  # of the burst that is open; 0: idle
        self._burst_from_ns = 0
        self._after_hold = False
        self._rows = rows

    def edges(self, first_ns: int, last_ns: int, count: int) -> None:
        """`count` edges with no quiet between them; the first ends what idle there was."""
        if not self._edges:
            if not self._after_hold:
                self._idle(first_ns)
            self._burst_from_ns = first_ns
        self._edges += count

    def quiet(self, last_ns: int, both_high: bool) -> None:
        """The lines have been quiet for the limit since the edge at `last_ns`."""
        if not self._edges:
            return
        alone_at_hold = self._edges == 1 and (self._after_hold or not both_high)
        if not alone_at_hold:
            self._rows.append(state_row(self._burst_from_ns, last_ns, NOISE))
        self._edges = 0
        self._after_hold = not both_high
        self._idle_from_ns = last_ns

    def end(self, last_ns: int, until_ns: int, both_high: bool, held: bool) -> None:
        """A START or the end of observation at `until_ns`; the last edge was at `last_ns`."""
        self.quiet(last_ns, both_high or not held)
        if both_high:
            self._idle(until_ns)

    def _idle(self, until_ns: int) -> None:
        if until_ns > self._idle_from_ns:
            self._rows.append(state_row(self._idle_from_ns, until_ns, IDLE))


class Outside:
    """Finds the idle spans and the noise of a stretch, block by block."""

    def __init__(self, begin_ns: int) -> None:
        self.rows: list[StateRow] = []  # found since they were last taken
        self.idle_ns: list[npt.NDArray[np.int64]] = []  # int64[2, k]: starts and ends of idle spans
        self.between = Between(begin_ns, self.rows)

    def find(self, block: Block) -> None:
        """Take the segments of a block that are no transactions."""
        kinds, conditions = block.kinds, block.events.conditions
        outside = (kinds == OUTSIDE).nonzero()[0]
        if not len(outside):
            return
        inner = outside[(outside > 0) & (outside < len(conditions))]
        # A START right after the STOP, and the STOP that of a transaction: no edge, only idle.
        is_plain = conditions.take(inner) == conditions.take(inner - 1) + 1
        is_plain &= block.events.is_start.take(inner)
        is_plain &= kinds.take(inner - 1) != OUTSIDE
        plain = inner[is_plain]
        self.idle_ns.append(
            np.stack([block.condition_ns.take(plain - 1), block.condition_ns.take(plain)])
        )
        is_rest = np.ones(len(kinds), np.bool_)
        is_rest[plain] = False
        for number in outside[is_rest[outside]].tolist():
            self._segment(block, number)

    def _segment(self, block: Block, number: int) -> None:
        """One segment that may have edges or goes on in another block."""
        conditions, t_ns = block.events.conditions, block.t_ns
        is_last = number == len(conditions)
        if number and block.kinds[number - 1] != OUTSIDE:
            self.between = Between(int(block.condition_ns[number - 1]), self.rows)
        at = int(conditions[number - 1]) + 1 if number else 0
        closed = len(t_ns) if is_last else int(conditions[number])
        by_start = not is_last and bool(block.events.is_start[number])
        stop = closed if by_start or is_last else closed + 1  # a STOP out here is noise too
        quiet = block.quiet[block.quiet.searchsorted(at) : block.quiet.searchsorted(stop)]
        for row in [*quiet.tolist(), stop]:
            if row > at:
                self.between.edges(int(t_ns[at]), int(t_ns[row - 1]), row - at)
            if row < stop:
                last_ns = int(t_ns[row] - block.gap_ns[row])
                self.between.quiet(last_ns, bool(block.scl[row] and block.sda[row]))
            at = row
        if by_start:
            last_ns = int(t_ns[closed] - block.gap_ns[closed])
            self.between.end(last_ns, int(t_ns[closed]), both_high=True, held=False)
