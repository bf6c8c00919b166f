"""The event queue: things that happen at exact whole nanoseconds, and programs that wait for them.

A program is a generator. It yields a whole number to sleep that many nanoseconds, or something it
waits for (a line to rise, a lock, a letter in a mailbox) and is sent what came of it. Events of one
time run in the order in which they were asked for, so a run is the same every time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator
from heapq import heappop, heappush
from typing import Any, Generic, Protocol, TypeVar

T = TypeVar("T")


class Wait(Protocol):
    """Something a program can yield; it calls `task.step(result)` once, later or now."""

    def arm(self, task: Task) -> None:
        """Remember the task and step it when the wait is over."""


Program = Generator["int | Wait", Any, T]


class Schedule:
    """True time of the simulated bench, in ns from its start, and what is still to happen."""

    __slots__ = ("_order", "_queue", "now_ns")

    def __init__(self) -> None:
        self.now_ns = 0
        self._queue: list[tuple[int, int, Callable[[Any], None], Any]] = []
        self._order = 0

    def at(self, t_ns: int, act: Callable[[Any], None], argument: object = None) -> None:
        """Call `act(argument)` at true time t_ns.

        Raises:
            ValueError: if that time has passed.
        """
        if t_ns < self.now_ns:
            raise ValueError(f"{t_ns} ns is before now, {self.now_ns} ns")
        self._order += 1
        heappush(self._queue, (t_ns, self._order, act, argument))

    def start(self, program: Program[Any], *, at_ns: int | None = None) -> Task:
        """Run a program from now, or from a later time, on."""
        task = Task(self, program)
        self.at(self.now_ns if at_ns is None else at_ns, task.step)
        return task

    def run(self, until_ns: int) -> None:
        """Let everything happen that is due up to and at until_ns; stand there afterwards."""
        queue = self._queue
        while queue and queue[0][0] <= until_ns:
            self.now_ns, _, act, argument = heappop(queue)
            act(argument)
        self.now_ns = until_ns

    def run_out(self) -> None:
        """Let everything happen; only for programs that end."""
        queue = self._queue
        while queue:
            self.now_ns, _, act, argument = heappop(queue)
            act(argument)


class Task:
    """A running program; itself something to wait for (its result is sent)."""

    __slots__ = ("_joined", "_program", "_schedule", "done", "result")

    def __init__(self, schedule: Schedule, program: Program[Any]) -> None:
        self._schedule = schedule
        self._program = program
        self._joined: list[Task] = []
        self.done = False
        self.result: Any = None

    def step(self, value: object = None) -> None:
        """Send a value to the program and act on what it yields next."""
        try:
            wait = self._program.send(value)
        except StopIteration as stop:
            self.done, self.result = True, stop.value
            for task in self._joined:
                task.step(stop.value)
            return
        if type(wait) is int:
            self._schedule.at(self._schedule.now_ns + wait, self.step)
        else:
            wait.arm(self)  # type: ignore[union-attr]  # not an int, see the test above

    def arm(self, task: Task) -> None:
        """Wait for the end of this one."""
        if self.done:
            self._schedule.at(self._schedule.now_ns, task.step, self.result)
        else:
            self._joined.append(task)


class Lock:
    """Lets one program in at a time, in the order of asking; yield it to enter, then `release`."""

    def __init__(self, schedule: Schedule) -> None:
        self._schedule = schedule
        self._taken = False
        self._asking: deque[Task] = deque()

    def arm(self, task: Task) -> None:
        """Enter, or wait in line."""
        if self._taken:
            self._asking.append(task)
        else:
            self._taken = True
            self._schedule.at(self._schedule.now_ns, task.step)

    def release(self) -> None:
        """Leave; the next in line enters."""
        if self._asking:
            self._schedule.at(self._schedule.now_ns, self._asking.popleft().step)
        else:
            self._taken = False


class Mailbox(Generic[T]):
    """Letters for one reader, kept in order; yield it to take the next."""

    def __init__(self, schedule: Schedule) -> None:
        self._schedule = schedule
        self._letters: deque[T] = deque()
        self._reader: Task | None = None

    def put(self, letter: T) -> None:
        """Leave a letter."""
        if self._reader is None:
            self._letters.append(letter)
        else:
            reader, self._reader = self._reader, None
            self._schedule.at(self._schedule.now_ns, reader.step, letter)

    def arm(self, task: Task) -> None:
        """Take a letter, or wait for one."""
        if self._letters:
            self._schedule.at(self._schedule.now_ns, task.step, self._letters.popleft())
        else:
            self._reader = task
