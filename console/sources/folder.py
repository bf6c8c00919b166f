"""A folder into which captures are exported while a run is recorded.

It is looked at every half second, and not told of by the system: what the system tells ends at a
network mount, where exports often go, and does not say when a file is complete, so the looking is
needed anyway. A look at 1,000 files takes some 7 ms. `settling` says what is complete.
"""

from __future__ import annotations

import os
import stat
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from console.bench.model import CaptureSource
from console.sources.files import FileError, SourceFile
from console.sources.port_waits import Waits
from console.sources.records import Happened, Happening, HostClock, Record, SourceState
from console.sources.settling import Seen, Settling, Turned
from decoders.durations import in_words

_LOOK_NS = 500_000_000
_LEAST_LOOK_NS = 20_000_000

State = Literal["opening", "open", "waiting", "failed", "closed"]


class FolderWatch:
    """Looks at a folder, one look at a call. Used by one thread; its attributes by any.

    Args:
        source: with a folder.
        put: takes what happens.
        clock: of the recorder.
        hand_over: takes the path of every complete file, after the record that tells of it.

    Attributes:
        state: how the folder is.
        why: why it cannot be looked into; empty while it can.
        files: how many were handed over, with `bytes` together; the last at `last_ns`.
    """

    def __init__(
        self,
        source: CaptureSource,
        put: Callable[[Record], None],
        clock: HostClock,
        hand_over: Callable[[Path], None],
    ) -> None:
        if source.folder is None:
            raise ValueError(f"source {source.name!r} has no folder")
        self.state: State = "opening"
        self.why = ""
        self.files = self.bytes = 0
        self.last_ns: int | None = None
        self._source = source
        self._folder = Path(source.folder)
        self._put, self._clock, self._hand_over = put, clock, hand_over
        self._settling = Settling(source.pattern, source.still_ns)
        self._unreadable: dict[str, str] = {}  # name -> why, as it was told
        self._waits = Waits(*source.retry_ns)

    @property
    def next_look_ns(self) -> int:
        """How long to wait for the next look."""
        if self.state == "waiting":
            return self._waits.next_ns()
        return max(min(self._source.still_ns // 4, _LOOK_NS), _LEAST_LOOK_NS)

    def look(self) -> None:
        """Look once: tell what became complete, and hand it over."""
        try:
            files = _listed(self._folder)
        except OSError as error:
            self._refuse(error)
            return
        if self.state != "open":
            self.state, self.why = "open", ""
            self._waits = Waits(*self._source.retry_ns)
            self._happen("opened", f"{_text(self._folder)}, files named {self._source.pattern}")
        for turned in self._settling.look(files, self._clock()):
            self._take(turned)
        self._unreadable = {name: why for name, why in self._unreadable.items() if name in files}

    def close(self) -> None:
        """Look once more, and end."""
        if self.state == "open":
            self.look()
            self._happen("closed", "stopped")
        self.state = "closed"

    def _take(self, turned: Turned) -> None:
        path = self._folder / turned.name
        if turned.turn == "gone":
            self._happen("note", f"{_text(path)} is gone before it was complete")
            return
        try:
            with SourceFile(path) as file:
                file.head(1)
        except FileError as error:
            self._settling.again(turned.name, self._clock())
            if self._unreadable.get(turned.name) != error.message:
                self._unreadable[turned.name] = error.message
                self._happen("note", f"{_text(path)}: {error.message}. {error.mend}")
            return
        self._unreadable.pop(turned.name, None)
        self.files, self.bytes, self.last_ns = (
            self.files + 1,
            self.bytes + turned.size,
            self._clock(),
        )
        words = " (in place of the one before)" if turned.turn == "replaced" else ""
        self._happen("note", _text(path) + words)
        self._hand_over(path)

    def _refuse(self, error: OSError) -> None:
        """Tell why the folder cannot be looked into, unless that was told before."""
        words = _why(self._folder, error)
        if self.state == "opening":
            self._settling.look({}, self._clock())  # what it holds when it appears is all new
            self._happen("refused", words)
        elif self.state == "open":
            self._happen("closed", words)
        elif words != self.why:
            self._happen("refused", words)
        if self._source.required and self.state == "opening":
            self.state = "failed"
        elif self.state != "waiting":
            first_ns, longest_ns = self._source.retry_ns
            words_ = f"looked at again every {in_words(first_ns)} to {in_words(longest_ns)}"
            self._happen("retry", words_)
            self.state = "waiting"
        self.why = words

    def _happen(self, what: Happening, detail: str) -> None:
        self._put(Happened(self._source.name, self._clock(), what, detail))


class FolderSource:
    """A live source of the captures that are exported into a folder.

    Args:
        source: with a folder.
        hand_over: takes the path of every complete file, in the source's thread.

    Raises:
        ValueError: if there is no folder.
    """

    def __init__(self, source: CaptureSource, hand_over: Callable[[Path], None]) -> None:
        if source.folder is None:
            raise ValueError(f"source {source.name!r} has no folder")
        self._source = source
        self._hand_over = hand_over
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._watch: FolderWatch | None = None

    def start(self, put: Callable[[Record], None], clock: HostClock) -> None:
        """Begin to watch; returns at once."""
        if self._thread is not None:
            raise RuntimeError(f"source {self._source.name!r} was started before")
        watch = self._watch = FolderWatch(self._source, put, clock, self._hand_over)
        name = f"folder {self._source.name}"
        self._thread = threading.Thread(target=self._run, args=(watch,), name=name, daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """End. Files that are not complete by then do not join."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def state(self) -> SourceState:
        """How it is; records are files handed over."""
        watch = self._watch
        return SourceState(
            name=self._source.name,
            kind="capture",
            where=self._source.folder or "",
            state=watch.state if watch else "opening",
            why=watch.why if watch else "",
            records=watch.files if watch else 0,
            bytes=watch.bytes if watch else 0,
            last_ns=watch.last_ns if watch else None,
        )

    def _run(self, watch: FolderWatch) -> None:
        try:
            while watch.state != "failed":
                watch.look()
                if self._stop.wait(watch.next_look_ns / 1e9):
                    watch.close()
                    return
        except BaseException as error:
            watch.state, watch.why = "failed", f"it ended by a fault of the program ({error!r})"
            raise


def _listed(folder: Path) -> dict[str, Seen]:
    """Every file of a folder, links followed; those that go away meanwhile are left out."""
    found = {}
    with os.scandir(folder) as entries:
        for entry in entries:
            try:
                about = entry.stat()
            except OSError:
                continue
            if stat.S_ISREG(about.st_mode):
                found[entry.name] = Seen(about.st_ino, about.st_size, about.st_mtime_ns)
    return found


def _why(folder: Path, error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return f"no such folder: {_text(folder)}. Make it, or correct folder in the bench file."
    if isinstance(error, NotADirectoryError):
        return f"{_text(folder)} is a file. Name the folder it is in."
    if isinstance(error, PermissionError):
        return f"{_text(folder)} may not be looked into. Give yourself the right (chmod u+rx)."
    return f"{_text(folder)} cannot be looked into ({error.strerror or error})."


def _text(path: Path) -> str:
    """A path as text that every file can hold: names need not be UTF-8."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")
