"""Open-drain lines: low while anyone pulls, high a rise time after the last one lets go.

UM10204 section 3.1.1: the lines are wired-AND; a pull-up raises them, devices only pull down. A
fall is at once (the pulling transistor is strong), a rise takes `rise_ns` to the level that counts
as high, and one that is pulled down again before that is not seen at all.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from captures_demo.simulator.dice import Dice
from captures_demo.simulator.schedule import Schedule, Task


class Trace:
    """Every change of every line in true time: what a perfect instrument would have recorded."""

    __slots__ = ("_levels", "_times", "_word", "channels")

    def __init__(self) -> None:
        self.channels: list[str] = []
        self._word = 0
        self._times = array("q")
        self._levels = array("B")

    def add(self, name: str) -> int:
        """Take in a line that stands high; returns its bit (a mask) in the level words.

        Raises:
            ValueError: if there are 8 already, or changes were recorded.
        """
        if self._times or len(self.channels) == 8:
            raise ValueError(f"no room for line {name!r}: lines are added first, at most 8 of them")
        mask = 1 << len(self.channels)
        self.channels.append(name)
        self._word |= mask
        return mask

    def note(self, t_ns: int, mask: int) -> None:
        """The line of that mask has changed."""
        self._word ^= mask
        self._times.append(t_ns)
        self._levels.append(self._word)

    def replace(self, t_ns: npt.NDArray[np.int64], levels: npt.NDArray[np.uint8]) -> None:
        """Put other changes in the place of those recorded so far.

        Args:
            t_ns: int64[n] true times, rising.
            levels: uint8[n] level words after each change.
        """
        self._times = array("q", t_ns.tobytes())
        self._levels = array("B", levels.tobytes())

    def columns(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
        """Copies: int64[n] true ns and uint8[n] level words after each change; all high before."""
        return np.array(self._times, np.int64), np.array(self._levels, np.uint8)


class Line:
    """One wire. `high` is what every device sees now, `driven` the same without disturbances.

    Args:
        schedule: the run's event queue.
        trace: where the changes are recorded.
        name: the channel's name in captures.
        rise_ns: from the last release to seen high.
        jitter: the dice of the rise's spread, None for none.
        jitter_ns: a rise is up to this much later than `rise_ns`.
    """

    __slots__ = (
        "_jitter",
        "_jitter_ns",
        "_listeners",
        "_mask",
        "_noise",
        "_pulls",
        "_rise",
        "_schedule",
        "_telling",
        "_trace",
        "_waiting",
        "driven",
        "high",
        "name",
        "rise_ns",
    )

    def __init__(
        self,
        schedule: Schedule,
        trace: Trace,
        name: str,
        *,
        rise_ns: int,
        jitter: Dice | None = None,
        jitter_ns: int = 0,
    ) -> None:
        self.name = name
        self.high = True
        self.driven = True
        self.rise_ns = rise_ns
        self._schedule = schedule
        self._trace = trace
        self._mask = trace.add(name)
        self._jitter = jitter
        self._jitter_ns = jitter_ns if jitter is not None else 0
        self._pulls = 0  # bit mask of the drivers that pull
        self._noise = False  # seen upside down
        self._rise = 0  # number of the rise that counts; an older one was pulled down again
        self._listeners: list[Callable[[bool], None]] = []
        self._waiting: list[Rise] = []
        self._telling = False

    @property
    def pulled(self) -> bool:
        """Whether anyone pulls now; a line can be still low without."""
        return self._pulls != 0

    def listen(self, listener: Callable[[bool], None]) -> None:
        """Call `listener(high)` at every change. It must not move a line itself, only plan to."""
        self._listeners.append(listener)

    def pull(self, driver: int) -> None:
        """Pull down with the driver of that mask; pulling twice is pulling once."""
        if self._pulls:
            self._pulls |= driver
            return
        self._pulls = driver
        if self.driven:
            self._drive(False)
        else:  # on its way up: the rise is swallowed, and who waits for it may wait long
            self._rise += 1
            for rise in self._waiting:
                rise.limit()

    def release(self, driver: int) -> None:
        """Let go; the line rises when nobody else pulls."""
        if self._pulls & driver:
            self._pulls &= ~driver
            if not self._pulls:
                self._rise += 1
                late = self._jitter.below(self._jitter_ns + 1) if self._jitter_ns else 0  # type: ignore[union-attr]
                at_ns = self._schedule.now_ns + self.rise_ns + late
                self._schedule.at(at_ns, self._risen, self._rise)

    def _risen(self, number: int) -> None:
        if number == self._rise and not self._pulls:
            self._drive(True)
            waiting, self._waiting = self._waiting, []
            for rise in waiting:
                rise.over()

    def disturb(self, width_ns: int) -> None:
        """For so long every device sees the line upside down: coupled noise, not a driver."""
        self._noise = not self._noise
        self._see()
        self._schedule.at(self._schedule.now_ns + width_ns, self._calm)

    def _calm(self, _: object) -> None:
        self._noise = not self._noise
        self._see()

    def _drive(self, high: bool) -> None:
        self.driven = high
        self._see()

    def _see(self) -> None:
        high = self.driven is not self._noise
        if self._telling:
            raise RuntimeError(f"line {self.name!r} moved by a listener; plan it in the schedule")
        self.high = high
        self._trace.note(self._schedule.now_ns, self._mask)
        self._telling = True
        for listener in self._listeners:
            listener(high)
        self._telling = False

    def rise_within(self, limit_ns: int) -> Rise:
        """For a program to yield: sent True when the line is seen high, False at the limit."""
        return Rise(self._schedule, self, limit_ns)

    def wait(self, rise: Rise) -> None:
        """Take in one who waits for the rise (for `Rise` only)."""
        self._waiting.append(rise)
        if self._pulls:
            rise.limit()

    def forget(self, rise: Rise) -> None:
        """Drop one whose limit has passed (for `Rise` only)."""
        self._waiting.remove(rise)


class Rise:
    """A program's wait for a line to be high, with a limit."""

    __slots__ = ("_deadline_ns", "_line", "_schedule", "_task")

    def __init__(self, schedule: Schedule, line: Line, limit_ns: int) -> None:
        self._schedule = schedule
        self._line = line
        self._deadline_ns = schedule.now_ns + limit_ns
        self._task: Task | None = None

    def arm(self, task: Task) -> None:
        """Wait; a line that is high already ends it now."""
        self._task = task
        if self._line.driven:
            self.over()
        else:
            self._line.wait(self)

    def limit(self) -> None:
        """Somebody holds the line: from here on the limit may come first.

        Most waits never need this event; planning it only here keeps the queue short.
        """
        self._schedule.at(max(self._deadline_ns, self._schedule.now_ns), self._late)

    def over(self) -> None:
        """The line is high."""
        if self._task is not None:
            task, self._task = self._task, None
            task.step(True)

    def _late(self, _: object) -> None:
        if self._task is not None:
            task, self._task = self._task, None
            self._line.forget(self)
            task.step(False)


class SpikeFilter:
    """A line as an input with a spike filter sees it: late, and without pulses shorter than that.

    UM10204 table 11, tSP: inputs of Fast-mode devices suppress spikes of up to 50 ns.
    """

    def __init__(self, schedule: Schedule, line: Line, filter_ns: int) -> None:
        self._schedule = schedule
        self._filter_ns = filter_ns
        self._listeners: list[Callable[[bool], None]] = []
        self._number = 0
        self.high = line.high
        line.listen(self._changed)

    def listen(self, listener: Callable[[bool], None]) -> None:
        """Call `listener(high)` at every change that lasts."""
        self._listeners.append(listener)

    def _changed(self, high: bool) -> None:
        self._number += 1
        at_ns = self._schedule.now_ns + self._filter_ns
        self._schedule.at(at_ns, self._settled, (self._number, high))

    def _settled(self, change: tuple[int, bool]) -> None:
        number, high = change
        if number == self._number and high != self.high:
            self.high = high
            for listener in self._listeners:
                listener(high)


Input = Line | SpikeFilter
