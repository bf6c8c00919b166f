"""Edges outside transactions: idle spans and noise.

Edges after a STOP and before the next START are noise. A burst of noise lasts from its first edge
to its last; quiet for as long as the hold limit ends it. Quiet with both lines high is idle. Quiet
with a line low is a hold, which is reported with the other holds; a lone edge that begins or ends
such a hold is not called noise as well.
"""

from __future__ import annotations

from decoders.buses.held_lines import NO_SLOT, UNKNOWN
from decoders.buses.transactions import LINE_STATES

StateRow = tuple[int, int, int, int, int]  # start_ns, end_ns, state, bit_slot, turn
IDLE, BUSY, SDA_HELD, SCL_HELD, BOTH_HELD, SPIKE, NOISE, NOT_OBSERVED = range(len(LINE_STATES))


def state_row(start_ns: int, end_ns: int, state: int) -> StateRow:
    """A line state that has no bit slot."""
    return int(start_ns), int(end_ns), state, NO_SLOT, UNKNOWN


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
