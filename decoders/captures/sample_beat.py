"""Rows that are samples and come one a period: where some are missing, and where fewer were taken.

Both are told by the step from row to row. A long step is a gap: nothing was observed in it. Short
ones are told too, but the levels are taken to hold, since a line that was sampled more coarsely for
a while is better read than not read at all.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import OffBeat

GAP_PERIODS = 20  # a step longer than this is a gap; fewer samples than that span a clock or two
_TOO_LONG = 1.5  # periods: above this at least one sample is missing
_REMEMBERED = 1000


class SampleBeat:
    """A fold over the times of samples.

    Args:
        period_ns: from one sample to the next.
    """

    def __init__(self, period_ns: float) -> None:
        self.period_ns = period_ns
        self.found: list[OffBeat] = []  # the first 1000, in time order

    def even(self, rows: int, before_ns: int | None, first_ns: int, last_ns: int) -> bool:
        """Whether rows after the one at `before_ns` lie one period apart, told by their ends."""
        start_ns, steps = (first_ns, rows - 1) if before_ns is None else (before_ns, rows)
        return last_ns - start_ns - steps * self.period_ns < 0.5 * self.period_ns

    def gaps(self, before_ns: int | None, t_ns: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
        """Take the times of the next rows; return those that begin anew after a gap.

        Args:
            before_ns: time of the row before; None when there is none.
            t_ns: int64[n], n >= 1.
        """
        if self.even(len(t_ns), before_ns, int(t_ns[0]), int(t_ns[-1])):
            return _NONE
        steps = np.diff(t_ns, prepend=t_ns[0] if before_ns is None else before_ns)
        odd = np.flatnonzero(steps > _TOO_LONG * self.period_ns)
        for row in odd.tolist():
            self._note(int(t_ns[row]) - int(steps[row]), int(t_ns[row]))
        return odd[steps[odd] > GAP_PERIODS * self.period_ns]

    def _note(self, from_ns: int, until_ns: int) -> None:
        """One step that was too long; those that follow each other are told as one."""
        last = self.found[-1] if self.found else None
        if last is not None and last.until_ns == from_ns:
            longest = max(last.longest_ns, until_ns - from_ns)
            self.found[-1] = OffBeat(last.from_ns, until_ns, last.steps + 1, longest)
        elif len(self.found) < _REMEMBERED:
            self.found.append(OffBeat(from_ns, until_ns, 1, until_ns - from_ns))


_NONE = np.empty(0, np.intp)
