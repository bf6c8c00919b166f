"""The recorder's end of a run: records in from any thread, on the disk within 250 ms.

`put` appends to a queue (`waiting.py`); one thread of the writer's own takes what is there, packs
it (`batching.py`) and commits it (`appending.py`), and joins the small blocks of hours gone by when
it has time (`merging.py`). Trouble with the disk ends nothing: it is told at once, what cannot be
written is held within the queue's bound, and writing is tried again until it works.
"""

from __future__ import annotations

import math
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType

from console.run.appending import begin_session, next_seq
from console.run.batching import rows_of
from console.run.claiming import claimed
from console.run.database import RunDatabase
from console.run.errors import RunError, in_words
from console.run.rows import Mark, Named, Raised, StoreState, Text
from console.run.schema import open_to_write
from console.run.waiting import Waiting
from console.sources.records import HostClock, Record
from decoders.errors import DiagnosticError

# What is promised is 250 ms; the rest is for the commit itself and a busy machine.
COMMIT_AFTER_S = 0.125
ALIVE_EVERY_S = 1.0  # with nothing to store: that nothing came until now is worth storing
RETRY_EVERY_S = 0.5
MERGE_AGAIN_S = 60.0  # after trouble
LIMIT_BYTES = 256 << 20  # about a minute of 8 ports and 20,000 messages a second
_HURRY_BYTES = 16 << 20

Told = Callable[[DiagnosticError | None], None]
"""Called from the writer's thread: an error when trouble begins or changes, None at its end."""


class RunWriter:
    """Records into a run until closed.

    Args:
        folder: of the run; made when it is not there.
        name: of the bench.
        texts: the bench file and packet files, kept in the run (see `bench_texts.py`).
        append: go on with a run that is there; else there must be none.
        clock: that stamps the records.
        told: how trouble is told, see `Told`. Must return soon.
        limit_bytes: most memory that records waiting for the disk may take, about.
        durable: a commit returns when the disk has it. False: when the system has it, which
            survives a kill, not a power cut.
        program: the version that records.

    Raises:
        RunError: when it cannot be made or opened, or another recorder is at it.
    """

    def __init__(
        self,
        folder: str | Path,
        *,
        name: str = "bench",
        texts: Sequence[Text] = (),
        append: bool = False,
        clock: HostClock | None = None,
        told: Told | None = None,
        limit_bytes: int = LIMIT_BYTES,
        durable: bool = True,
        program: str = "",
    ) -> None:
        self._clock = clock or HostClock()
        self._told = told
        path, self._lock = claimed(Path(folder), append=append)
        try:
            self._seq, self._database = _begun(path, self._clock, program, name, texts, durable)
        except (sqlite3.Error, OSError) as error:
            self._lock.release()
            raise in_words(error, path) from error
        self._waiting = Waiting(limit_bytes, min(_HURRY_BYTES, limit_bytes // 4))
        self._stored = 0
        self._trouble: DiagnosticError | None = None
        self._failure: Exception | None = None
        self._broken = False  # the connection must be opened again before the next try
        self._merge_after_s = 0.0
        self._closing = threading.Event()
        self._give_up_s = math.inf  # monotonic: until when to try once it is closing
        self._progress = threading.Condition()
        self._done = 0  # batches stored
        self._thread = threading.Thread(target=self._run, name="run store", daemon=True)
        self._thread.start()

    def put(self, record: Record) -> bool:
        """Take a record; from any thread, at any time, without waiting for the disk.

        Returns:
            False when there was no room for it; then the run tells that it is missing.

        Raises:
            ValueError: when its stamp is hundreds of years away, or the run is closed.
        """
        return self._waiting.put(record)

    def add(self, item: Mark | Raised | Named) -> None:
        """Take a mark, a finding that was just raised, a source's name; as `put`."""
        self._waiting.add(item)

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Store what was put so far now, not when its time has come; whether that was done."""
        number = self._waiting.wake()
        with self._progress:
            self._progress.wait_for(
                lambda: self._done >= number or not self._thread.is_alive(), timeout_s
            )
            return self._done >= number

    def close(self, timeout_s: float = 5.0) -> None:
        """Store what is left and end the session.

        Args:
            timeout_s: for how long to try when there is trouble.

        Raises:
            RunError: when records could not be stored; how many, and why.
        """
        if self._closing.is_set():
            return
        self._waiting.close()
        self._give_up_s = time.monotonic() + timeout_s
        self._closing.set()
        self._waiting.wake()
        self._thread.join()
        self._lock.release()
        if left := self._waiting.unstored:
            why = self._failure or self._trouble
            what = why.message if isinstance(why, DiagnosticError) else repr(why)
            raise RunError(
                f"{left} records at the end could not be stored: {what}",
                place=None if not isinstance(why, DiagnosticError) else why.place,
                mend="What came before is kept. " + getattr(why, "mend", ""),
            ) from why

    def __enter__(self) -> RunWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def lag_s(self) -> float:
        """For how long the oldest record that is not stored has been waiting; 0 without any."""
        return self._waiting.lag_s

    @property
    def queued(self) -> int:
        """Records that are not stored yet."""
        return self._waiting.queued

    @property
    def stored(self) -> int:
        """Records stored since this recorder began."""
        return self._stored

    def state(self) -> StoreState:
        """How it is; may be asked from any thread."""
        return StoreState(
            self._stored,
            self._waiting.queued,
            self._waiting.held_bytes,
            self._waiting.lost,
            self._waiting.lag_s,
            self._trouble,
        )

    def _run(self) -> None:
        """The writer's thread."""
        try:
            last = False
            while not last:
                self._waiting.wait(COMMIT_AFTER_S, ALIVE_EVERY_S)
                last = self._closing.is_set()  # nothing was put after that, so this takes all
                if not self._store_waiting():
                    return
                self._merge()
            self._try(lambda: self._database.end(self._clock()))
        except Exception as error:  # a bug of ours: told, and kept for `close`
            self._failure = error
            self._tell(RunError(f"the recorder failed: {error!r}", mend="Please report this."))
            raise
        finally:
            self._database.close()
            with self._progress:
                self._progress.notify_all()

    def _store_waiting(self) -> bool:
        """Store what waits, however long it takes; False when closing put an end to it."""
        alive_ns = self._clock()
        batch = self._waiting.take()
        rows = rows_of(batch.items, self._seq)
        batch.items.clear()
        if not self._try(lambda: self._database.store(rows, alive_ns)):
            return False
        self._seq = rows.next_seq
        self._stored += batch.records
        self._waiting.stored()
        with self._progress:
            self._done = batch.number
            self._progress.notify_all()
        return True

    def _try(self, action: Callable[[], None]) -> bool:
        """Do it until it works, telling of trouble; False when closing put an end to it."""
        while True:
            try:
                if self._broken:
                    self._database.reopen()
                    self._broken = False
                action()
            except (sqlite3.Error, OSError) as error:
                self._broken = True
                trouble = self._database.words(error)
                self._waiting.why = trouble.message
                self._tell(trouble)
                if time.monotonic() >= self._give_up_s:
                    return False
                if self._closing.wait(RETRY_EVERY_S):
                    time.sleep(RETRY_EVERY_S / 10)
            else:
                self._tell(None)
                return True

    def _merge(self) -> None:
        """One step, when there is something to do and the disk has time."""
        if not self._database.has_more_to_merge or time.monotonic() < self._merge_after_s:
            return
        try:
            self._database.merge()
        except sqlite3.Error:  # nothing is lost: commits tell if the trouble is theirs too
            self._merge_after_s = time.monotonic() + MERGE_AGAIN_S

    def _tell(self, trouble: DiagnosticError | None) -> None:
        """Tell when it has changed."""
        before, self._trouble = self._trouble, trouble
        words = [told and told.message for told in (before, trouble)]
        if self._told is None or words[0] == words[1]:
            return
        try:
            self._told(trouble)
        except Exception as error:  # the teller's bug must not end the recording; it is shown
            threading.excepthook(
                threading.ExceptHookArgs((type(error), error, error.__traceback__, self._thread))
            )


def _begun(
    path: Path, clock: HostClock, program: str, name: str, texts: Sequence[Text], durable: bool
) -> tuple[int, RunDatabase]:
    """A new session: the place of its first record, and its database."""
    connection = open_to_write(path, durable=durable)
    try:
        first_seq = next_seq(connection)
        session = begin_session(connection, clock, program, name, texts)
    finally:
        connection.close()
    return first_seq, RunDatabase(path, session, durable=durable)
