"""A recording: live sources into a run, with the rules watching while it grows.

Each record goes under one lock to the store and then to the rules, so both see one order; what the
store had no room for the rules are told as lost, as they would find it in the run. Findings go into
the run as they are raised, each with the span of evidence around it marked.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from console.bench.load import BenchFile, read_bench
from console.bench.rules import Rule
from console.pipeline.raising import Told
from console.pipeline.recording_captures import CaptureKeeper
from console.pipeline.recording_sources import Environment, Live, live_sources, unrecorded
from console.pipeline.recording_state import Rates, RecordingState, disk_free, rows_of
from console.pipeline.recording_watch import Fold, Watching, live_fold
from console.pipeline.stored import CAPTURES
from console.run.bench_texts import texts_of
from console.run.lock import LOCK
from console.run.rows import Mark, Named, Raised
from console.run.schema import DATABASE
from console.run.writer import RunWriter
from console.sources.records import Happened, HostClock, Record, SourceState
from decoders.errors import DiagnosticError

NEWEST = 100  # findings kept to be shown
EVIDENCE = "evidence"  # kind of mark
STOP_S = 5.0  # for a source to end


@dataclass(frozen=True, slots=True)
class Around:
    """How much around a finding is marked as its evidence."""

    before_ns: int = 30_000_000_000  # before it begins
    after_ns: int = 10_000_000_000  # after it is raised


@dataclass(frozen=True, slots=True)
class Ears:
    """Who hears of what; called from the recording's threads, and must return soon."""

    told: Callable[[Told], object] = lambda _told: None
    happened: Callable[[Happened], object] = lambda _happened: None
    trouble: Callable[[DiagnosticError | None], None] = lambda _trouble: None  # None: it is over


class Recording:
    """One session of recording. It listens only: nothing is sent to any source by it.

    Args:
        bench: path of the bench file.
        folder: of the run.
        append: go on with a run that is there.
        around: what is marked around a finding.
        ears: who hears of findings and troubles.
        environment: where brokers' passwords are looked up.
        fold: makes the rules; they are told when the session began.

    Raises:
        DiagnosticError: what is wrong with the bench file or the run; then nothing was begun.
    """

    def __init__(
        self,
        bench: str | Path,
        folder: str | Path,
        *,
        append: bool = False,
        around: Around = Around(),
        ears: Ears = Ears(),
        environment: Environment = os.environ.get,
        fold: Callable[[BenchFile, int], Fold] = live_fold,
    ) -> None:
        self.file = read_bench(bench)
        self.folder = Path(folder)
        self.clock = HostClock()
        self.environment = environment
        self._around, self._ears = around, ears
        self._taps: list[Callable[[Record], None]] = []
        self._is_new = not (self.folder / DATABASE).exists()
        self._had_folder = self.folder.exists()
        self._lock = threading.Lock()  # of the order in which store and rules get records
        keeper = CaptureKeeper(self.folder, self._put, self.clock)
        self._live = live_sources(self.file, str(bench), keeper.keep, environment)
        texts = texts_of(bench)
        self.started_ns = self.clock()
        rules = fold(self.file, self.started_ns)  # what is wrong with them is told before a run is
        self._unwatched = rules.unwatched
        self._writer = RunWriter(
            self.folder,
            name=self.file.bench.name,
            texts=texts,
            append=append,
            clock=self.clock,
            told=ears.trouble,
            program=_program(),
        )
        for state in self.source_states():
            self._writer.add(Named(state.name, state.kind, state.where))
        self._watching = Watching(rules, self.clock, self._found)
        self._rates = Rates()
        self._state_lock = threading.Lock()
        self._newest: deque[Raised] = deque(maxlen=NEWEST)
        self._raised: dict[str, int] = {}  # by severity
        self._data = 0  # records that are no happenings
        self._is_over = False

    @property
    def remarks(self) -> list[str]:
        """What is odd about the bench file, and what of it is not recorded."""
        names = unrecorded(self.file)
        found = list(self.file.remarks)
        if names:
            found.append(f"not recorded, since they are files: {', '.join(names)}")
        if self._unwatched:
            rules = ", ".join(rule.name or _kind(rule) for rule in self._unwatched)
            found.append(f"not watched while recording, since they need a capture: {rules}")
        return found

    @property
    def required(self) -> frozenset[str]:
        """The sources without which there is no recording."""
        return frozenset(live.described.name for live in self._live if live.required)

    @property
    def raised(self) -> Mapping[str, int]:
        """How many findings were raised, by severity."""
        return dict(self._raised)

    def start(self) -> None:
        """Begin; what happens to the sources from now on is told and stored."""
        self._watching.start()
        for live in self._live:
            live.source.start(self._put, self.clock)

    def listen(self, tap: Callable[[Record], None]) -> None:
        """Give a listener every record from now on; it is called under a lock: return soon."""
        self._taps.append(tap)

    def live(self, name: str) -> Live:
        """A source that is recorded.

        Raises:
            KeyError: if there is none of that name.
        """
        found = [live for live in self._live if live.described.name == name]
        if not found:
            raise KeyError(name)
        return found[0]

    def put(self, record: Record) -> None:
        """Take a record of something that is no source of the bench; from any thread."""
        self._put(record)

    def source_states(self) -> list[SourceState]:
        """Every source as it is."""
        return [live.source.state() for live in self._live]

    def failed(self) -> list[SourceState]:
        """The sources without which this is no recording: required ones that failed, or all."""
        failed = [
            (live, state)
            for live, state in zip(self._live, self.source_states(), strict=True)
            if state.state == "failed"
        ]
        if len(failed) == len(self._live):
            return [state for _, state in failed]
        return [state for live, state in failed if live.required]

    def state(self) -> RecordingState:
        """How it is; may be asked from any thread."""
        store = self._writer.state()
        trouble = f"{store.trouble.message}. {store.trouble.mend}" if store.trouble else ""
        with self._state_lock:
            now_ns = self.clock()
            rows = rows_of(self.source_states(), self._rates, now_ns)
            newest = tuple(self._newest)
        return RecordingState(
            folder=str(self.folder),
            started_ns=self.started_ns,
            now_ns=now_ns,
            sources=rows,
            stored=store.stored,
            queued=store.queued,
            lost=store.lost,
            lag_s=store.lag_s,
            watch_queued=self._watching.queued,
            watch_lag_s=0.0 if self._is_over else self._watching.lag_s,
            unwatched=self._watching.unwatched,
            findings=sum(self._raised.values()),
            faults=self._raised.get("fault", 0),
            newest=newest,
            disk_free_bytes=disk_free(self.folder),
            trouble=trouble or self._watching.trouble,
            is_over=self._is_over,
        )

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Store what was put so far now; whether that was done."""
        return self._writer.flush(timeout_s)

    def stop(self, timeout_s: float = STOP_S) -> None:
        """End: what the sources had is stored and watched.

        Raises:
            RunError: when records could not be stored.
        """
        if self._is_over:
            return
        self._is_over = True
        self._stop_sources(timeout_s)
        self._watching.stop()
        self._writer.close(timeout_s)

    def discard_if_empty(self) -> None:
        """After `stop`: take away a run that was new and into which no data came."""
        if not self._is_new or self._data or (self.folder / CAPTURES).exists():
            return
        for name in (DATABASE, f"{DATABASE}-wal", f"{DATABASE}-shm", LOCK):
            (self.folder / name).unlink(missing_ok=True)
        if not self._had_folder:
            with suppress(OSError):  # somebody has put something there
                self.folder.rmdir()

    def _stop_sources(self, timeout_s: float) -> None:
        """All at once: each may take a while."""
        threads = [
            threading.Thread(target=live.source.stop, args=(timeout_s,), daemon=True)
            for live in self._live
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(2 * timeout_s)

    def _put(self, record: Record) -> None:
        """Take a record of any source."""
        with self._lock:
            if self._writer.put(record):
                self._watching.put(record)
            else:
                words = "there was no room to store it"
                self._watching.put(Happened(record.source, record.t_ns, "lost", words))
            for tap in self._taps:
                tap(record)
        if isinstance(record, Happened):
            self._ears.happened(record)
        else:
            self._data += 1

    def _found(self, news: Sequence[Told]) -> None:
        """Store what was raised, with its evidence marked, and tell it."""
        for told in news:
            if not told.is_over:
                self._keep(told)
            self._ears.told(told)

    def _keep(self, told: Told) -> None:
        raised = told.stored
        self._writer.add(raised)
        begin = max(told.finding.t_ns - self._around.before_ns, self.started_ns)
        end = told.raised_ns + self._around.after_ns
        self._writer.add(Mark(min(begin, end), end, EVIDENCE, raised.summary, raised))
        with self._state_lock:
            self._newest.append(raised)
            self._raised[raised.severity] = self._raised.get(raised.severity, 0) + 1


def _kind(rule: Rule) -> str:
    """What kind of rule it is, as a bench file writes it."""
    return str(rule.__struct_config__.tag)


def _program() -> str:
    """The version that records."""
    try:
        return version("lastack")
    except PackageNotFoundError:  # run from a checkout that is not installed
        return ""
