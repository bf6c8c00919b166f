"""What a source puts, kept, and waited for."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator

from console.sources.broker import BrokerSource
from console.sources.records import Arrived, Happened, HostClock, LiveSource, Record, SourceState

WAIT_S = 60.0  # for what must come; a machine may be busy


class Kept:
    """A `put` that keeps records; its `until` waits for some, with a deadline."""

    def __init__(self) -> None:
        self._changed = threading.Condition(threading.RLock())
        self._records: list[Record] = []

    def __call__(self, record: Record) -> None:
        with self._changed:
            self._records.append(record)
            self._changed.notify_all()

    @property
    def records(self) -> list[Record]:
        """All so far."""
        with self._changed:
            return list(self._records)

    @property
    def messages(self) -> list[Arrived]:
        """The messages so far."""
        return [record for record in self.records if isinstance(record, Arrived)]

    def happened(self, what: str) -> list[str]:
        """The details of what happened, of one kind."""
        return [r.detail for r in self.records if isinstance(r, Happened) and r.what == what]

    def until(self, wanted: Callable[[], bool]) -> None:
        """Wait until a claim about the records holds."""
        with self._changed:
            assert self._changed.wait_for(wanted, WAIT_S), self._records[-20:]

    def until_messages(self, count: int) -> list[Arrived]:
        """Wait for so many messages; they."""
        self.until(lambda: len(self.messages) >= count)
        return self.messages

    def until_happened(self, what: str, count: int = 1) -> list[str]:
        """Wait for so many happenings of a kind; their details."""
        self.until(lambda: len(self.happened(what)) >= count)
        return self.happened(what)

    def words(self) -> list[str]:
        """What happened, kind by kind, messages as `message`."""
        return [r.what if isinstance(r, Happened) else "message" for r in self.records]


@contextlib.contextmanager
def recording(source: BrokerSource, clock: HostClock | None = None) -> Iterator[Kept]:
    """The source, started, and stopped in the end."""
    kept = Kept()
    live: LiveSource = source
    live.start(kept, clock or HostClock())
    try:
        yield kept
    finally:
        live.stop(WAIT_S)


def until(wanted: Callable[[], bool]) -> None:
    """Wait until something holds that nobody tells of."""
    pause = threading.Event()
    for _ in range(int(WAIT_S / 0.01)):
        if wanted():
            return
        pause.wait(0.01)
    assert wanted()


def until_state(source: BrokerSource, state: str) -> SourceState:
    """Wait until a source is in a state; it."""
    until(lambda: source.state().state == state)
    return source.state()
