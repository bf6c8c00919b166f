from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence

import pytest

from console.pipeline.live import Step
from console.pipeline.raising import Told
from console.pipeline.recording_watch import Watching
from console.sources.records import Chunk, HostClock, Record
from console.watch.findings import Finding

WAIT_S = 60.0


def found(t_ns: int) -> Finding:
    return Finding(t_ns, "pattern", "fault", "camera", "controller", "odd", {})


class Fold:
    """Finds one thing a record; notes when it was asked."""

    unwatched = ()

    def __init__(self, crash: Callable[[], None] = lambda: None) -> None:
        self.records: list[Record] = []
        self.asked: list[int] = []
        self._new: list[Record] = []
        self._crash = crash

    def feed(self, records: Iterable[Record]) -> None:
        self._crash()
        self._new = list(records)
        self.records += self._new

    def until(self, now_ns: int) -> Step:
        self.asked.append(now_ns)
        fresh = [found(record.t_ns) for record in self._new]
        return Step(complete=fresh, raised=fresh)

    def finish(self, until_ns: int) -> Step:
        last = [found(until_ns)]
        return Step(complete=last, raised=last)


class Heard:
    """Takes news, to be waited for."""

    def __init__(self) -> None:
        self.told: list[Told] = []
        self._changed = threading.Condition()

    def __call__(self, news: Sequence[Told]) -> None:
        with self._changed:
            self.told += news
            self._changed.notify_all()

    def wait(self, count: int) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.told) >= count, WAIT_S)


def chunk(k: int, size: int = 1) -> Chunk:
    return Chunk("controller", k, b"x" * size)


def test_records_are_watched_in_the_order_they_were_put_and_the_end_too() -> None:
    fold, heard = Fold(), Heard()
    watching = Watching(fold, HostClock(), heard)
    watching.start()
    for k in range(5):
        watching.put(chunk(k))
    watching.stop()
    assert fold.records == [chunk(k) for k in range(5)]
    assert [told.finding.t_ns for told in heard.told[:5]] == [0, 1, 2, 3, 4]
    assert len(heard.told) == 6  # and what is found at the end


def test_the_rules_are_asked_though_nothing_comes() -> None:
    asked = threading.Event()

    class Timed(Fold):
        def until(self, now_ns: int) -> Step:
            step = super().until(now_ns)
            if len(self.asked) >= 3:
                asked.set()
            return step

    clock, fold = HostClock(), Timed()
    watching = Watching(fold, clock, Heard())
    began_ns = clock()
    watching.start()
    assert asked.wait(WAIT_S)
    watching.stop()
    assert all(now_ns >= began_ns - 50_000_000 for now_ns in fold.asked)
    assert fold.asked == sorted(fold.asked)


def test_what_there_is_no_room_for_is_counted_and_putting_never_waits() -> None:
    watching = Watching(Fold(), HostClock(), Heard(), limit_bytes=10_000)
    for k in range(20):
        watching.put(chunk(k, 1000))
    assert (watching.queued, watching.unwatched) == (8, 12)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_of_the_rules_ends_watching_and_nothing_else() -> None:
    def crash() -> None:
        raise ZeroDivisionError("ours")

    watching = Watching(Fold(crash), HostClock(), Heard())
    watching.start()
    watching.put(chunk(1))
    watching.stop()
    watching.put(chunk(2))
    assert watching.trouble == (
        "watching ended by a fault of the program (ZeroDivisionError('ours'))"
    )
    assert (watching.queued, watching.unwatched) == (0, 1)
