"""Records on their way from the sources' threads to the disk: a queue with a bound.

`put` only appends: what is dear is done by the writer's thread. When the bound is reached, because
the disk is slow, full or gone, records are refused and counted for each source until the writer
takes what is there; after that comes, for each source that lost some, a `Happened("lost")` at the
place in the order where they are missing, and a `Loss` for the run's table of them.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field

from console.run.rows import Loss, Mark, Named, Raised
from console.run.schema import BUCKET_NS
from console.sources.records import Arrived, Chunk, Happened, Record

Item = Record | Mark | Raised | Named | Loss

# What an object takes in memory beside its bytes, about: CPython 3.11, 64 bits.
_OVER_BYTES = 200
_LARGEST_NS = (1 << 63) - BUCKET_NS  # the begin of its bucket must fit in 64 bits too


@dataclass(slots=True)
class Batch:
    """What was taken at once, in the order it was put."""

    number: int  # of batches taken so far, this one included
    items: list[Item]
    records: int


@dataclass(slots=True)
class _Refused:
    from_ns: int
    until_ns: int
    records: int = 0
    bytes: int = 0


@dataclass(slots=True)
class _Queue:
    items: list[Item] = field(default_factory=list)
    records: int = 0
    held_bytes: int = 0
    since_s: float | None = None  # monotonic: when its first item was put


class Waiting:
    """The queue.

    Args:
        limit_bytes: most bytes held, those of the batch being written included.
        hurry_bytes: with so many waiting the writer is woken before its time.
    """

    def __init__(self, limit_bytes: int, hurry_bytes: int) -> None:
        self._limit_bytes = limit_bytes
        self._hurry_bytes = hurry_bytes
        self._changed = threading.Condition(threading.Lock())
        self._queue = _Queue()
        self._writing = _Queue()  # taken, and not stored yet
        self._refused: dict[str, _Refused] = {}
        self._hurried = False
        self._closed = False
        self._taken = 0
        self.lost = 0  # records refused since the start
        self.why = "the disk could not keep up"

    def put(self, record: Record) -> bool:
        """Append a record; False when it was refused for want of room.

        Raises:
            ValueError: when its stamp is hundreds of years away, or after `close`.
        """
        if not -_LARGEST_NS <= record.t_ns <= _LARGEST_NS:
            raise ValueError(f"t_ns {record.t_ns} is no time that can be stored")
        size = _bytes_of(record)
        with self._changed:
            if self._closed:
                raise ValueError("the run is closed")
            queue = self._queue
            held = queue.held_bytes + self._writing.held_bytes + size + _OVER_BYTES
            if self._refused or held > self._limit_bytes:
                self._refuse(record, size)
                return False
            queue.items.append(record)
            queue.records += 1
            queue.held_bytes += size + _OVER_BYTES
            if queue.since_s is None:
                queue.since_s = time.monotonic()
                self._changed.notify()
            elif queue.held_bytes > self._hurry_bytes and not self._hurried:
                self._hurried = True
                self._changed.notify()
        return True

    def add(self, item: Mark | Raised | Named) -> None:
        """Append what is rare and never refused."""
        with self._changed:
            self._queue.items.append(item)
            if self._queue.since_s is None:
                self._queue.since_s = time.monotonic()
            self._changed.notify()

    def wake(self) -> int:
        """Have the writer take what there is now; returns the number of that batch."""
        with self._changed:
            self._hurried = True
            self._changed.notify()
            return self._taken + 1

    def close(self) -> None:
        """Take nothing more."""
        with self._changed:
            self._closed = True

    def wait(self, after_s: float, idle_s: float) -> None:
        """Return when something has waited for `after_s`, in a hurry, or after `idle_s`."""
        until = time.monotonic() + idle_s
        with self._changed:
            while not self._hurried:
                since = self._queue.since_s
                due = until if since is None else min(until, since + after_s)
                rest = due - time.monotonic()
                if rest <= 0:
                    break
                self._changed.wait(rest)

    def take(self) -> Batch:
        """All that waits; it stays counted until `stored`."""
        with self._changed:
            taken = self._queue
            for source, refused in self._refused.items():
                taken.items += _told(source, refused, self.why)
                taken.records += 1
            self._refused.clear()
            self._hurried = False
            self._queue, self._writing = _Queue(), taken
            self._taken += 1
            return Batch(self._taken, taken.items, taken.records)

    def stored(self) -> None:
        """What was taken last is on the disk."""
        with self._changed:
            self._writing = _Queue()

    @property
    def queued(self) -> int:
        """Records that are not stored yet."""
        return self._queue.records + self._writing.records

    @property
    def unstored(self) -> int:
        """Records that are in the run neither themselves nor as a loss."""
        with self._changed:
            return self.queued + sum(refused.records for refused in self._refused.values())

    @property
    def held_bytes(self) -> int:
        """About what they take in memory."""
        return self._queue.held_bytes + self._writing.held_bytes

    @property
    def lag_s(self) -> float:
        """For how long the oldest of them has been waiting."""
        since = self._writing.since_s or self._queue.since_s
        return 0.0 if since is None else time.monotonic() - since

    def _refuse(self, record: Record, size: int) -> None:
        refused = self._refused.get(record.source)
        if refused is None:
            refused = self._refused[record.source] = _Refused(record.t_ns, record.t_ns)
        refused.until_ns = record.t_ns
        refused.records += 1
        refused.bytes += size
        self.lost += 1


def _bytes_of(record: Record) -> int:
    """Bytes of data or payload; of a happening none."""
    if isinstance(record, Chunk):
        return len(record.data)
    return len(record.payload) if isinstance(record, Arrived) else 0


def _told(source: str, refused: _Refused, why: str) -> tuple[Happened, Loss]:
    detail = f"{refused.records} records with {refused.bytes} bytes were not stored: {why}"
    return (
        Happened(source, refused.until_ns, "lost", detail),
        Loss(source, refused.from_ns, refused.until_ns, refused.records, refused.bytes, why),
    )
