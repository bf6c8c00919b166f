"""Reading a run while the screen lives: source by source in a thread, what is there shown early.

The small sources come first and the captures last, so that prints and messages can be looked at
while a capture is still being decoded. After each source what has been read so far is settled and
handed over, unless settling takes longer than reading does. Nothing of the pipeline is imported
before the thread runs: the first picture needs only the toolkit.

The thread is a daemon of its own and no worker of the toolkit: the process would wait for that.
"""

from __future__ import annotations

import contextlib
import gc
import sys
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from textual.message import Message

from console.app.state.kept import KeptDecisions
from console.app.state.request import Request

if TYPE_CHECKING:
    from console.app.run_view import RunView
    from console.pipeline.clocked import ReadSource
    from console.pipeline.evidence import Evidence
    from console.pipeline.inputs import Input, Inputs
    from console.pipeline.reading import Reading
    from decoders.errors import DiagnosticError

SWITCH_S = 0.002  # how long the thread may hold the interpreter while the screen waits for it
LINKED_LATER = 300_000  # rows of all tables from which a run is shown before its links are found
GC_THRESHOLD = (50_000, 20, 20)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the reading is; replaced as a whole, so that any thread may look at it."""

    source: str = ""  # what is being read, from outside, not cleaned; "" before the first
    done: int = 0  # bytes of it
    total: int | None = None  # None: not known
    finished: int = 0  # sources read
    sources: int = 0  # in all; 0 before they are known
    stopped_at: str = ""  # where the user stopped it, in words; "" while it runs or is whole

    @property
    def share(self) -> float | None:
        """Of the source being read, 0 to 1; None where it is not known."""
        return None if not self.total else min(1.0, self.done / self.total)


class Begun(Message):
    """It is settled what the run is made of."""

    def __init__(self, loader: Loader, name: str) -> None:
        super().__init__()
        self.loader, self.name = loader, name


class Shown(Message):
    """More was read: the run as it is known now."""

    def __init__(self, loader: Loader, view: RunView, *, whole: bool) -> None:
        super().__init__()
        self.loader, self.view, self.whole = loader, view, whole


class Failed(Message):
    """Something the user can mend: a source, or all of it, could not be read."""

    def __init__(self, loader: Loader, error: DiagnosticError) -> None:
        super().__init__()
        self.loader, self.error = loader, error


class Ended(Message):
    """The thread is done, whatever came of it."""

    def __init__(self, loader: Loader, crash: BaseException | None = None) -> None:
        super().__init__()
        self.loader, self.crash = loader, crash


class Loader:
    """One reading of one request.

    Args:
        request: what to read.
        tell: takes the messages above; called by the thread, so it must be safe to call from there.
        prepare: called by the thread before each `Shown`; imports what will show it.
        decisions: what was decided about the clocks, by source.
    """

    def __init__(
        self,
        request: Request,
        tell: Callable[[Message], object],
        prepare: Callable[[], object] = lambda: None,
        decisions: Mapping[str, KeptDecisions] | None = None,
    ) -> None:
        self.request = request
        self.progress = Progress()
        self.reading: Reading | None = None  # whole, to be settled again with other decisions
        self._tell = tell
        self._prepare = prepare
        self._decisions = decisions or {}
        self._stopped = threading.Event()
        self._abandoned = threading.Event()
        self._thread = threading.Thread(target=self._run, name="loading", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    @property
    def is_running(self) -> bool:
        """Whether the thread still works."""
        return self._thread.is_alive()

    @property
    def was_stopped(self) -> bool:
        """Whether the user asked it to stop."""
        return self._stopped.is_set()

    def stop(self) -> None:
        """Stop reading; what was read so far is shown."""
        self._stopped.set()

    def abandon(self) -> None:
        """Stop, and show nothing more."""
        self._abandoned.set()
        self._stopped.set()

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread; whether it ended."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _say(self, message: Message) -> None:
        if not self._abandoned.is_set():
            with contextlib.suppress(RuntimeError):  # the screen was closed meanwhile
                self._tell(message)

    def _run(self) -> None:
        """The thread: whatever happens, `Ended` is said."""
        from decoders.errors import DiagnosticError

        sys.setswitchinterval(SWITCH_S)
        gc.set_threshold(*GC_THRESHOLD)
        crash: BaseException | None = None
        try:
            self._load()
        except DiagnosticError as error:
            if not self.was_stopped:  # a pipe that was given up looks like an empty file
                self._say(Failed(self, error))
        except BaseException as error:  # told to the screen, which ends with its traceback
            crash = error
        finally:
            gc.collect(1)  # the young ones: all of them would hold the screen up for 90 ms
            gc.freeze()  # what was read stays; looking at it again costs 10-40 ms a key press
            self._say(Ended(self, crash))

    def _load(self) -> None:
        from console.pipeline.inputs import Overrides, settled

        request = self.request
        overrides = Overrides(**request.overrides)
        inputs = settled(request.paths, overrides, stop=self._stopped.is_set)
        try:
            self.progress = Progress(sources=len(inputs.inputs))
            self._say(Begun(self, inputs.bench.name))
            self._read(inputs)
        finally:
            inputs.close()

    def _read(self, inputs: Inputs) -> None:
        read: dict[str, ReadSource] = {}
        waiting = _in_turn(inputs.inputs)
        settling_s = 0.0
        for each in waiting:
            begun = time.monotonic()
            self._read_one(each, inputs, read)
            if self.was_stopped:
                break
            reading_s = time.monotonic() - begun
            if read and each is not waiting[-1] and settling_s <= max(reading_s, 0.25):
                begun = time.monotonic()
                self._show(inputs, read, whole=False)
                settling_s = time.monotonic() - begun
        if read and not self._abandoned.is_set():
            self._show(inputs, read, whole=True)

    def _read_one(self, each: Input, inputs: Inputs, read: dict[str, ReadSource]) -> None:
        """Read a source; one that cannot be read is told and the others go on."""
        from console.pipeline.reading import read_source
        from decoders.errors import DiagnosticError

        name, count = each.source.name, len(inputs.inputs)

        def note(source: str, done: int, total: int | None) -> None:
            self.progress = Progress(source, done, total, len(read), count)

        note(name, 0, each.file.total_bytes)
        try:
            found = read_source(each, inputs, note, self._stopped.is_set, keep_edges=True)
        except DiagnosticError as error:
            self._say(Failed(self, error))
            return
        if found is not None:
            read[name] = found
        self.progress = replace(self.progress, finished=len(read))
        if self.was_stopped:
            now = self.progress
            part = "" if now.share is None else f" at {now.share:.0%}"
            self.progress = replace(now, stopped_at=f"{name}{part}")

    def _show(self, inputs: Inputs, read: dict[str, ReadSource], *, whole: bool) -> None:
        """Settle what was read so far and hand it over; the order is that of the inputs."""
        from console.pipeline.reading import reading_of

        sources = [read[each.source.name] for each in inputs.inputs if each.source.name in read]
        lacks = len(sources) < len(inputs.inputs) or self.was_stopped
        reading = reading_of(inputs, sources, interrupted=lacks)
        evidence = settled_evidence(reading, self._decisions)
        if whole:
            self.reading = reading
        self._prepare()
        takes_long = sum(table.height for table in evidence.tables.values()) > LINKED_LATER
        if takes_long:  # links of millions of events take longer than the rest: shown without first
            self._say(Shown(self, viewed(reading, evidence, with_links=False), whole=False))
        if whole or not takes_long:
            self._say(Shown(self, viewed(reading, evidence), whole=whole))


def settled_view(reading: Reading, decisions: Mapping[str, KeptDecisions]) -> RunView:
    """A reading, settled as was decided and indexed for the screens."""
    return viewed(reading, settled_evidence(reading, decisions))


def settled_evidence(reading: Reading, decisions: Mapping[str, KeptDecisions]) -> Evidence:
    """A reading, settled as was decided."""
    from console.app.state.kept_decisions import decisions_of
    from console.pipeline.settling import evidence_of

    return evidence_of(reading, decisions_of(decisions))


def viewed(reading: Reading, evidence: Evidence, *, with_links: bool = True) -> RunView:
    """Evidence, indexed for the screens."""
    from console.app.run_view import view_of

    return view_of(evidence, reading.inputs.bench, reading.inputs.file, with_links=with_links)


def _in_turn(inputs: Iterable[Input]) -> list[Input]:
    """Small ones first, captures last; what has no size (a pipe) last of its kind."""
    from console.pipeline.inputs import CAPTURES

    return sorted(
        inputs, key=lambda each: (each.kind in CAPTURES, each.file.total_bytes or 1 << 62)
    )
