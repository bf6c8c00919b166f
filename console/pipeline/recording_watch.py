"""The rules, watching in a thread of their own while records come in.

Records wait in a queue with a bound, in the order they were stored. A timer looks at what has come
by then, and when nothing has come: so a silence is found while it lasts. The rules are always a
little behind now, since a record is stamped before it is put. Where watching cannot keep up, or
fails by a fault of the program, recording goes on; that is told, and `lastack check` over the run
finds what was missed.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Sequence
from typing import Protocol

from console.bench.load import BenchFile
from console.bench.rules import Rule
from console.pipeline.live import LiveFold, Step
from console.pipeline.raising import News, Told
from console.sources.records import Arrived, Chunk, HostClock, Record

LOOK_EVERY_S = 0.25
SLOWEST_S = 0.5  # a look that takes long is followed by a longer wait, up to this
LATE_NS = 50_000_000  # how long after its stamp a record may be put
LIMIT_BYTES = 64 << 20  # of records the rules have not seen
_OVER_BYTES = 200  # what a record takes beside its bytes, about


class Fold(Protocol):
    """Records to findings: `LiveFold`."""

    @property
    def unwatched(self) -> Sequence[Rule]:
        """Rules of the bench that need more than records."""
        ...

    def feed(self, records: Iterable[Record]) -> None:
        """Take the next records."""
        ...

    def until(self, now_ns: int) -> Step:
        """Judge what is known at a time."""
        ...

    def finish(self, until_ns: int) -> Step:
        """Judge the rest; nothing is called after this."""
        ...


class Watching:
    """The thread.

    Args:
        fold: the rules.
        clock: that stamps the records.
        tell: takes news of findings, from this thread.
        limit_bytes: most bytes of records that wait, about.
        late_ns: how long after its stamp a record may be put.
    """

    def __init__(
        self,
        fold: Fold,
        clock: HostClock,
        tell: Callable[[Sequence[Told]], None],
        *,
        limit_bytes: int = LIMIT_BYTES,
        late_ns: int = LATE_NS,
    ) -> None:
        self.trouble = ""  # why nothing is watched any more, for people
        self.unwatched = 0  # records that were not watched
        self._fold, self._clock, self._tell = fold, clock, tell
        self._limit_bytes, self._late_ns = limit_bytes, late_ns
        self._news = News()
        self._lock = threading.Lock()
        self._queue: list[Record] = []
        self._held_bytes = 0
        self._looked_ns = clock()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watching", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def put(self, record: Record) -> None:
        """Take a record; returns at once."""
        size = _OVER_BYTES + _bytes_of(record)
        with self._lock:
            if self.trouble or self._held_bytes + size > self._limit_bytes:
                self.unwatched += 1
                return
            self._queue.append(record)
            self._held_bytes += size

    def stop(self) -> None:
        """Watch what was put, and what stands at the end; then end."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join()

    @property
    def queued(self) -> int:
        """Records the rules have not seen yet."""
        return len(self._queue)

    @property
    def lag_s(self) -> float:
        """How far the rules are behind now, beyond what they always are."""
        return max(0.0, (self._clock() - self._looked_ns) / 1e9 - SLOWEST_S)

    def _run(self) -> None:
        took_s = 0.0
        try:
            while not self._stopping.wait(min(max(LOOK_EVERY_S, 2 * took_s), SLOWEST_S)):
                began_s = time.monotonic()
                self._look()
                took_s = time.monotonic() - began_s
            self._look()
            last_ns = self._clock()
            self._say(self._news.of(self._fold.finish(last_ns), last_ns), at_end=True)
        except Exception as error:  # ours to mend; the recording must not end of it
            with self._lock:
                self.trouble = f"watching ended by a fault of the program ({error!r})"
                self._queue, self._held_bytes = [], 0
            threading.excepthook(
                threading.ExceptHookArgs((type(error), error, error.__traceback__, self._thread))
            )

    def _look(self) -> None:
        """Feed what has come, and tell what is news."""
        now_ns = self._clock()  # before the queue is taken: what is put later is stamped later
        with self._lock:
            records, self._queue, self._held_bytes = self._queue, [], 0
        self._fold.feed(records)
        step = self._fold.until(now_ns - self._late_ns)
        self._looked_ns = now_ns
        self._say(self._news.of(step, now_ns))

    def _say(self, news: Sequence[Told], *, at_end: bool = False) -> None:
        """Tell; what merely ends because the recording does is no news."""
        told = [each for each in news if not (at_end and each.is_over)]
        if told:
            self._tell(told)


def _bytes_of(record: Record) -> int:
    if isinstance(record, Chunk):
        return len(record.data)
    return len(record.payload) if isinstance(record, Arrived) else len(record.detail)


def live_fold(file: BenchFile, start_ns: int) -> Fold:
    """The rules of a bench, over what comes from `start_ns` on."""
    return LiveFold(file.bench, start_ns)
