"""Which events are shown, and where a wait between two of them is long enough to be folded."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from console.timeline.events import Events

Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

FOLD_TIMES = 8  # a wait so many times as long as the usual one is a row of its own
_BLOCK, _BLOCKS = 1_024, 64  # waits looked at to learn what is usual


class Shown:
    """The events that pass the filter and whose column is shown; positions count these alone."""

    def __init__(self, events: Events, keep: Bools | None = None) -> None:
        self.events = events
        every = keep is None or bool(keep.all())
        self.index: npt.NDArray[np.int32] | None = (
            None if every or keep is None else np.flatnonzero(keep).astype(np.int32)
        )
        self.fold_ns = FOLD_TIMES * self._usual_wait_ns()

    def __len__(self) -> int:
        return len(self.events) if self.index is None else len(self.index)

    def event(self, position: int) -> int:
        """The event at a position."""
        return position if self.index is None else int(self.index[position])

    def position(self, event: int) -> int:
        """The position of an event, or of the first shown behind it; the last one at the end."""
        if self.index is None:
            return event
        return min(int(np.searchsorted(self.index, event)), max(len(self) - 1, 0))

    def t_ns(self, position: int) -> int:
        """When the event at a position was."""
        return int(self.events.t_ns[self.event(position)])

    def near(self, t_ns: int) -> int:
        """The position nearest to a time."""
        if not len(self):
            return 0
        times = self.events.t_ns
        if self.index is None:
            return self.events.at(t_ns)
        after = int(np.searchsorted(self.index, np.searchsorted(times, t_ns)))
        if after == len(self):
            return after - 1
        if after and t_ns - self.t_ns(after - 1) < self.t_ns(after) - t_ns:
            return after - 1
        return after

    def first_in(self, begin_ns: int, end_ns: int) -> int | None:
        """The first position from begin (included) to end (not included); None without one."""
        at = int(np.searchsorted(self.events.t_ns, begin_ns))
        if self.index is not None:
            at = int(np.searchsorted(self.index, at))
        return at if at < len(self) and self.t_ns(at) < end_ns else None

    def wait_ns(self, position: int) -> int:
        """Time since the event shown before; 0 for the first."""
        return self.t_ns(position) - self.t_ns(position - 1) if position else 0

    def folds(self, position: int) -> bool:
        """Whether the wait before a position is a row of its own."""
        return position > 0 and self.wait_ns(position) > max(self.fold_ns, 0)

    def head(self, position: int, reach: int = 24) -> int:
        """The event whose time is written in full for a position's group: the first since a fold.

        In groups longer than `reach` it is the last multiple of it.
        """
        for at in range(position, max(position - reach, -1), -1):
            if at == 0 or self.folds(at):
                return at
        return position - position % reach

    def _usual_wait_ns(self) -> int:
        """Median wait, from blocks of neighbours all over the run."""
        count = len(self)
        if count < 2:
            return 0
        starts = np.unique(np.linspace(0, max(count - _BLOCK, 0), _BLOCKS).astype(np.int64))
        waits = []
        for start in starts:
            block = slice(start, start + _BLOCK)
            times = self.events.t_ns[block if self.index is None else self.index[block]]
            waits.append(np.diff(times))
        return int(np.median(np.concatenate(waits)))
