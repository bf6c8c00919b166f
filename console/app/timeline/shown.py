"""Which events are shown, and where a wait between two of them is long enough to be folded."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from console.timeline.events import BAD, ODD, UNSEEN, Events

Int64s = npt.NDArray[np.int64]
Int32s = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]

FOLD_TIMES = 8  # a wait so many times as long as the usual one is a row of its own
GROUP = 24  # events after which a time is written in full again, if none is folded before
_BLOCK, _BLOCKS = 1_024, 64  # waits looked at to learn what is usual
_CHUNK = 1 << 18  # waits looked at at once to find those that are folded


class Shown:
    """The events that pass the filter and whose column is shown; positions count these alone."""

    def __init__(self, events: Events, keep: Bools | None = None) -> None:
        self.events = events
        every = keep is None or bool(keep.all())
        self.index: Int32s | None = (
            None if every or keep is None else np.flatnonzero(keep).astype(np.int32)
        )
        self.fold_ns = FOLD_TIMES * self._usual_wait_ns()
        self._folds = self._fold_positions()

    def __len__(self) -> int:
        return len(self.events) if self.index is None else len(self.index)

    def event(self, position: int) -> int:
        """The event at a position."""
        return position if self.index is None else int(self.index[position])

    def position(self, event: int) -> int:
        """The position of an event, or of the first shown behind it; the last one at the end."""
        if self.index is None:
            return event
        return min(_before(self.index, event), max(len(self) - 1, 0))

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
        after = _before(self.index, int(np.searchsorted(times, t_ns)))
        if after == len(self):
            return after - 1
        if after and t_ns - self.t_ns(after - 1) < self.t_ns(after) - t_ns:
            return after - 1
        return after

    def first_in(self, begin_ns: int, end_ns: int) -> int | None:
        """The first position from begin (included) to end (not included); None without one."""
        at = int(np.searchsorted(self.events.t_ns, begin_ns))
        if self.index is not None:
            at = _before(self.index, at)
        return at if at < len(self) and self.t_ns(at) < end_ns else None

    def worst_in(self, first: int, end_ns: int) -> int:
        """Of the positions from first up to a time the first bad one, else odd one, else first."""
        stop = int(np.searchsorted(self.events.t_ns, end_ns))
        stop = stop if self.index is None else _before(self.index, stop)
        block = slice(first, stop)
        states = self.events.state[block if self.index is None else self.index[block]]
        for state in (BAD, ODD, UNSEEN):
            found = states == state
            if found.any():
                return first + int(found.argmax())
        return first

    def wait_ns(self, position: int) -> int:
        """Time since the event shown before; 0 for the first."""
        return self.t_ns(position) - self.t_ns(position - 1) if position else 0

    def folds(self, position: int) -> bool:
        """Whether the wait before a position is a row of its own."""
        return position > 0 and self.wait_ns(position) > self.fold_ns

    def head(self, position: int) -> int:
        """The event whose time is written in full for a position's group, itself its own head.

        It is the first since a folded wait, and every `GROUP`th behind that.
        """
        k = _before(self._folds, position + 1)
        first = int(self._folds[k - 1]) if k else 0
        return position - (position - first) % GROUP

    def _times(self, first: int, stop: int) -> Int64s:
        """Of positions from first (included) to stop (not included)."""
        block = slice(first, stop)
        return self.events.t_ns[block if self.index is None else self.index[block]]

    def _usual_wait_ns(self) -> int:
        """Median wait, from blocks of neighbours all over the run; 0 where all are at one time.

        Events of one moment do not count: waits are what is folded, and there is none between them.
        """
        count = len(self)
        starts = np.unique(np.linspace(0, max(count - _BLOCK, 0), _BLOCKS).astype(np.int64))
        waits = np.concatenate([np.diff(self._times(at, at + _BLOCK)) for at in starts.tolist()])
        waits = waits[waits > 0]
        return int(np.median(waits)) if len(waits) else 0

    def _fold_positions(self) -> Int32s:
        """Every position with a folded wait before it."""
        found = [np.empty(0, np.int32)]
        for first in range(0, len(self), _CHUNK):
            waits = np.diff(self._times(first, first + _CHUNK + 1))
            found.append((np.flatnonzero(waits > self.fold_ns) + first + 1).astype(np.int32))
        return np.concatenate(found)


def kept_of_parties(
    events: Events, parties: Sequence[int], count: int, keep: Bools | None = None
) -> Bools | None:
    """bool[n] which of n events are of some parties, among those that are kept; None: all.

    Args:
        events: n events.
        parties: the wanted ones.
        count: how many there are.
        keep: bool[n] which events pass the filter; None: all.
    """
    if len(parties) == count:
        return keep
    wanted = np.zeros(count, np.bool_)
    wanted[list(parties)] = True
    mask = wanted[events.party]
    return mask if keep is None else mask & keep


def _before(column: Int32s, value: int) -> int:
    """How many of a sorted column are below a value; a key of another type would copy it all."""
    return int(column.searchsorted(np.int32(value)))
