"""An exercise over a recording: its thread, and the one that sends.

Records come in as they are recorded; the rows of whole lines and messages go on to the fold at
once, without the second for which rules wait. What was sent and what came of it are put among the
records as events of a source of their own.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

import msgspec
import polars as pl

from console.bench.exercise import ExerciseFile, Expect, Publish, Write, in_file
from console.bench.exercise_checks import EXERCISE
from console.bench.model import Bench, CaptureSource, MessagesSource, PrintsSource, Source
from console.pipeline.exercising import Doing, Exercise, Sending
from console.pipeline.live_source import SourceFold, host_clock
from console.pipeline.recording import Recording
from console.sources.records import Happened, Happening, HostClock, Record
from console.sources.sender import PortSender, Sender, SendError
from console.sources.transmit import Transmit
from console.watch.exercised import missed_words

TURN_S = 0.02
LATE_NS = 50_000_000  # how long after its stamp a record may be put
OPEN_NS = 10_000_000_000  # for the sources to be open before the first step
STOP_S = 3.0

Put = Callable[[Record], None]
T = TypeVar("T")


class Rows:
    """A fold from records to rows of prints and messages, as soon as they are whole.

    The first lines of a port wait up to a second, until the form of their stamps is known.

    Args:
        bench: whose sources.
    """

    def __init__(self, bench: Bench) -> None:
        self._folds = {
            source.name: SourceFold(source.name, _unpaced(source))
            for source in bench.sources
            if not isinstance(source, CaptureSource)
        }

    def feed(self, records: Iterable[Record]) -> None:
        """Take the next records."""
        for record in records:
            if (fold := self._folds.get(record.source)) is not None:
                fold.feed(record)

    def until(self, now_ns: int) -> tuple[dict[str, pl.DataFrame], int]:
        """The rows since the last call, and until when all are known.

        Args:
            now_ns: nothing stamped earlier is still to be fed.
        """
        parts: dict[str, list[pl.DataFrame]] = {}
        known_ns = now_ns
        for name, fold in self._folds.items():
            fold.release(now_ns)
            for table, frame in fold.take().frames(name, host_clock(name, fold.band_ns)).items():
                parts.setdefault(table, []).append(frame)
            if (held_ns := fold.decoder.held_since_ns) is not None:
                known_ns = min(known_ns, held_ns)
        joined = {
            table: pl.concat(frames, how="vertical_relaxed") for table, frames in parts.items()
        }
        return joined, known_ns


class ExerciseRun:
    """Does an exercise, once the sources it is about are open.

    Args:
        file: the exercise, checked against the bench.
        bench: whose sources.
        senders: by the source they send to; every one the exercise sends to.
        right: to send; taken back at the end.
        put: takes the exercise's own events.
        clock: the recorder's.
    """

    def __init__(
        self,
        file: ExerciseFile,
        bench: Bench,
        senders: Mapping[str, Sender],
        right: Transmit,
        put: Put,
        clock: HostClock,
    ) -> None:
        self._file, self._senders, self._right = file, senders, right
        self._put, self._clock = put, clock
        self._rows = Rows(bench)
        self._shut = awaited(file, bench)
        self._queue: queue.SimpleQueue[Record] = queue.SimpleQueue()
        self._to_send: queue.SimpleQueue[Sending | None] = queue.SimpleQueue()
        self._went: queue.SimpleQueue[tuple[int, int, int, str]] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="exercise", daemon=True)
        self._sending = threading.Thread(target=self._send_all, name="sending", daemon=True)

    @property
    def is_over(self) -> bool:
        """Whether it came to its end, or was stopped."""
        return self._over.is_set()

    def start(self) -> None:
        """Begin."""
        self._thread.start()
        self._sending.start()

    def hear(self, record: Record) -> None:
        """Take a record, from any thread; returns at once."""
        if record.source != EXERCISE and not self._over.is_set():
            self._queue.put(record)

    def stop(self) -> None:
        """Send nothing more, and end."""
        self._right.end()
        self._stopping.set()
        for thread in (self._thread, self._sending):
            if thread.is_alive():
                thread.join(STOP_S)

    def _run(self) -> None:
        try:
            self._do()
        except Exception as error:  # ours to mend, but no exercise that passed
            self._missed(f"ended by a fault of the program ({error!r})", {})
            raise
        finally:
            self._right.end()
            self._to_send.put(None)
            self._over.set()

    def _do(self) -> None:
        if not self._all_open():
            return
        exercise = Exercise(self._file, self._clock())
        self._tell("opened", f"{self._file.name}, from {self._file.file}")
        while not exercise.is_over:
            if self._stopping.wait(TURN_S):
                exercise.stop("stopped")
            else:
                self._look(exercise)
        self._tell("closed", exercise.end)

    def _look(self, exercise: Exercise) -> None:
        now_ns = self._clock()  # before the queue is taken: what is put later is stamped later
        self._rows.feed(_taken(self._queue))
        tables, known_ns = self._rows.until(now_ns - LATE_NS)
        exercise.feed(tables)
        for went in _taken(self._went):
            exercise.sent(*went)
        if self._right.is_over:  # what was under way then was stopped, and is no step that failed
            exercise.stop("stopped")
        else:
            self._carry_out(exercise.at(known_ns))

    def _carry_out(self, doing: Doing) -> None:
        for words in doing.notes:
            self._tell("note", words)
        if doing.send is not None:
            self._to_send.put(doing.send)

    def _all_open(self) -> bool:
        """Wait for the sources to be open; whether they are."""
        until_ns = self._clock() + OPEN_NS
        while self._shut:
            if self._stopping.wait(TURN_S):
                return False
            records = _taken(self._queue)
            self._rows.feed(records)
            for record in records:
                if isinstance(record, Happened) and record.what == self._shut.get(record.source):
                    del self._shut[record.source]
            if self._clock() > until_ns:
                self._not_begun()
                return False
        return True

    def _not_begun(self) -> None:
        shut = ", ".join(self._shut)
        words = f"not begun: {shut} not open within {OPEN_NS // 10**9} s"
        self._missed(words, {"not_open": list(self._shut)})

    def _missed(self, words: str, evidence: Mapping[str, Any]) -> None:
        about = {"file": self._file.file, **evidence}
        self._tell("note", missed_words(words, self._file.name, about))

    def _send_all(self) -> None:
        """The thread that sends."""
        try:
            while (sending := self._to_send.get()) is not None:
                self._went.put(self._sent(sending))
        finally:
            for sender in self._senders.values():
                sender.close()

    def _sent(self, sending: Sending) -> tuple[int, int, int, str]:
        asked_ns = self._clock()
        try:
            sender = self._senders[sending.what.source]
            went = sender.send(sending.what, sending.timeout_ns / 1e9)
        except SendError as error:
            return sending.number, asked_ns, self._clock(), error.message
        except Exception as error:  # ours to mend; the exercise must not hang on it
            words = f"a fault of the program ({error!r})"
            return sending.number, asked_ns, self._clock(), words
        return sending.number, went.began_ns, went.ended_ns, ""

    def _tell(self, what: Happening, words: str) -> None:
        self._put(Happened(EXERCISE, self._clock(), what, words))


def _unpaced(source: Source) -> Source:
    """The source with lines stamped as they were read.

    By the baud rate they are stamped earlier, and where a port has none in truth (USB, a network)
    too early: an answer would seem to have come before its command.
    """
    if isinstance(source, PrintsSource):
        return msgspec.structs.replace(source, baud=None)
    return source


def run_over(recording: Recording, file: ExerciseFile, right: Transmit) -> ExerciseRun:
    """An exercise over a recording, neither of them started.

    Args:
        recording: whose sources it sends to and listens to.
        file: the exercise, checked against the recording's bench.
        right: to send.
    """
    bench, clock = recording.file.bench, recording.clock
    senders: dict[str, Sender] = {}
    for _, step in in_file(file.steps):
        if isinstance(step, Publish | Write) and step.source not in senders:
            senders[step.source] = _sender(recording, step.source, right)
    run = ExerciseRun(file, bench, senders, right, recording.put, clock)
    recording.listen(run.hear)
    return run


def _sender(recording: Recording, name: str, right: Transmit) -> Sender:
    """What sends to a source; what is needed for it is imported only then."""
    live = recording.live(name)
    if isinstance(live.described, MessagesSource):
        from console.sources.broker_sender import BrokerSender

        return BrokerSender(live.described, right, recording.clock, recording.environment)
    from console.sources.port import PortSource

    if not isinstance(live.source, PortSource):
        raise TypeError(f"source {name!r} cannot be sent to")
    return PortSender(live.source, right, recording.clock)


def awaited(file: ExerciseFile, bench: Bench) -> dict[str, Happening]:
    """The sources an exercise is about, each with what tells that it is open."""
    steps = [step for _, step in in_file(file.steps)]
    names = {s.source for s in steps if isinstance(s, Publish | Write | Expect) and s.source}
    return {
        source.name: "subscribed" if isinstance(source, MessagesSource) else "opened"
        for source in bench.sources
        if source.name in names
    }


def _taken(waiting: queue.SimpleQueue[T]) -> list[T]:
    found = []
    while not waiting.empty():
        found.append(waiting.get())
    return found
