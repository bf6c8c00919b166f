"""The edges of a capture, kept on disk while it is read, to be looked at anywhere later.

Two anonymous files hold the columns, times and level words, row after row. In memory stay the time
of every 4096th row and the borders of what was observed: some 200 kB for a hundred million edges.
So any place is found with one bisection here and one short read there. It is read with plain reads
and not through a memory map: a disk that fails is then an error that can be told, where a map would
end the program, and what was looked at does not stay in the process.

The files have no name: nothing is left behind, however the program ends.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
import weakref
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Edges, Levels

T = TypeVar("T")

_INT64 = np.dtype(np.int64)
_STRIDE = 4096  # rows between two times in memory: 32 kB to read and search
_LOOK_EVERY_BYTES = 16 << 20  # how often the free space is looked at
_LEFT_FREE_BYTES = 256 << 20  # for all others who write to that disk


class KeptEdges:
    """Takes blocks of edges; gives those of any span. Safe to read while another thread feeds it.

    When the disk is full, or there is no place to write, it keeps no more and says so; what was
    kept until then stays, and reads as if the capture had ended there.

    Args:
        directory: for the files; None: the user's cache, else where temporary files go.

    Attributes:
        channels: bit k of every level word is channels[k]; whoever feeds it says so.
        trouble: why it keeps no more; empty while all is well. Text from outside is in it.
    """

    def __init__(self, directory: Path | None = None) -> None:
        self.channels: tuple[str, ...] = ()
        self.trouble = ""
        self._lock = threading.Lock()
        self._directory = directory
        self._times: FileIO | None = None
        self._words: FileIO | None = None
        self._close: Callable[[], Any] = lambda: None
        self._kind: np.dtype[Any] = np.dtype(np.uint8)  # of the level words
        self._count = 0
        self._look_at_bytes = _LOOK_EVERY_BYTES
        self._every = array("q")  # times of rows 0, _STRIDE, 2 * _STRIDE, ..
        # of each observed stretch: its first row, when it began, until when it is known
        self._first, self._from, self._until = array("q"), array("q"), array("q")

    def __len__(self) -> int:
        """Rows kept so far."""
        return self._count

    def __enter__(self) -> KeptEdges:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the disk back; nothing can be read after this."""
        with self._lock:
            self._close()
            self._times = self._words = None
            self._count = 0
            self.trouble = self.trouble or "closed"

    def feed(self, edges: Edges) -> None:
        """Take the next edges; never fails for want of a disk.

        Raises:
            ValueError: if level words come in another type than before.
        """
        with self._lock:
            if self.trouble:
                return
            try:
                self._take(edges)
            except OSError as error:
                self._give_up(error.strerror or str(error))

    def span(self, begin_ns: int, end_ns: int) -> Edges:
        """The edges from `begin_ns` to `end_ns`, both included, with the level before them.

        Row 0 is the last row before `begin_ns`, with its own time; or the first row observed, when
        observation only begins at `begin_ns` or later. `until_ns` is the next edge after them, or
        the end of what was observed. Of a span with gaps in it, the part before the first gap; see
        `spans`. No rows when nothing of the span was observed.

        Raises:
            ValueError: if the span ends before it begins.
        """
        return next(iter(self.spans(begin_ns, end_ns)), _nothing(begin_ns))

    def spans(self, begin_ns: int, end_ns: int) -> list[Edges]:
        """As `span`, one for each stretch that was observed without a gap.

        Raises:
            ValueError: if the span ends before it begins.
        """
        if end_ns < begin_ns:
            raise ValueError(f"a span from {begin_ns} to {end_ns} ns ends before it begins")
        with self._lock:
            first = max(bisect_right(self._from, begin_ns) - 1, 0)
            last = bisect_right(self._from, end_ns)
            numbers = [k for k in range(first, last) if self._until[k] >= begin_ns]
            return self._read(lambda: [self._part(k, begin_ns, end_ns) for k in numbers]) or []

    def count(self, begin_ns: int, end_ns: int) -> int:
        """How many rows lie in a span, before it is read."""
        with self._lock:
            both = self._read(
                lambda: self._rows_before(end_ns, "right") - self._rows_before(begin_ns, "left")
            )
        return max(both or 0, 0)

    def levels_at(self, t_ns: int) -> int | None:
        """The level word at a time; None when it was not observed."""
        with self._lock:
            k = bisect_right(self._from, t_ns) - 1
            if k < 0 or t_ns > self._until[k]:
                return None
            return self._read(lambda: self._word(self._rows_before(t_ns, "right") - 1))

    # --- writing, the lock held

    def _take(self, edges: Edges) -> None:
        n = len(edges.t_ns)
        if n and self._times is None:
            self._open(edges.levels.dtype)
        if n and edges.levels.dtype != self._kind:
            raise ValueError(f"level words were {self._kind} and are {edges.levels.dtype} now")
        if n:
            self._write(self._times, self._count * 8, edges.t_ns)
            self._write(self._words, self._count * self._kind.itemsize, edges.levels)
            if edges.begins or not self._first:
                self._first.append(self._count)
                self._from.append(int(edges.t_ns[0]))
                self._until.append(int(edges.t_ns[0]))
            self._every.extend(edges.t_ns[-self._count % _STRIDE :: _STRIDE].tolist())
            self._count += n
        if self._until:
            self._until[-1] = max(self._until[-1], edges.until_ns)
        if self._count * (8 + self._kind.itemsize) >= self._look_at_bytes:
            self._look()

    def _open(self, kind: np.dtype[Any]) -> None:
        """Open two files that have no name, where one can be written."""
        self._kind = kind
        places = [self._directory] if self._directory else _places()
        for place in places:
            try:
                self._times, self._words = _two_files(place)
            except OSError:
                if place is places[-1]:
                    raise
                continue
            self._directory = place
            self._close = weakref.finalize(self, _close_all, self._times, self._words)
            return

    def _write(self, file: FileIO | None, at: int, column: npt.NDArray[Any]) -> None:
        assert file is not None
        rest = np.ascontiguousarray(column).data.cast("B")
        file.seek(at)
        while rest:
            rest = rest[file.write(rest) :]

    def _look(self) -> None:
        """Keep no more when others would find the disk full."""
        self._look_at_bytes += _LOOK_EVERY_BYTES
        if shutil.disk_usage(self._directory or ".").free < _LEFT_FREE_BYTES:
            self._give_up(f"less than {_LEFT_FREE_BYTES >> 20} MB are free")

    def _give_up(self, why: str) -> None:
        where = f" in {self._directory}" if self._directory else ""
        after = f" after {self._count:,} edges" if self._count else ""
        self.trouble = f"the bit levels of this capture are not kept{after}: {why}{where}"

    # --- reading, the lock held

    def _read(self, what: Callable[[], T]) -> T | None:
        """What it gives; None when the disk cannot be read, which is told."""
        try:
            return what() if self._count else None
        except OSError as error:
            self._give_up(error.strerror or str(error))
            return None

    def _part(self, stretch: int, begin_ns: int, end_ns: int) -> Edges:
        """The edges of one stretch in a span."""
        lowest = self._first[stretch]
        last = stretch + 1 == len(self._first)
        highest = self._count if last else self._first[stretch + 1]
        begin = max(self._rows_before(begin_ns, "left") - 1, lowest)
        end = min(max(self._rows_before(end_ns, "right"), begin + 1), highest)
        more = int(end < highest)
        t_ns: npt.NDArray[np.int64] = self._column(self._times, _INT64, begin, end + more)
        levels: Levels = self._column(self._words, self._kind, begin, end)
        until_ns = int(t_ns[-1]) if more else self._until[stretch]
        return Edges(t_ns[: end - begin], levels, begins=True, until_ns=until_ns)

    def _rows_before(self, t_ns: int, side: Literal["left", "right"]) -> int:
        """Rows before a time; with `right`, those at it too. Equal times keep their order."""
        is_left = side == "left"
        block = (bisect_left if is_left else bisect_right)(self._every, t_ns)
        if not block:
            return 0
        begin = (block - 1) * _STRIDE  # the border lies in the block before, or at its end
        end = min(begin + _STRIDE, self._count)
        times = self._column(self._times, _INT64, begin, end)
        return begin + int(times.searchsorted(t_ns, side))

    def _word(self, row: int) -> int:
        return int(self._column(self._words, self._kind, row, row + 1)[0])

    def _column(
        self, file: FileIO | None, kind: np.dtype[Any], begin: int, end: int
    ) -> npt.NDArray[Any]:
        """Rows `begin` to `end` of a file, a copy of their own."""
        assert file is not None
        column = np.empty(end - begin, kind)
        rest = column.data.cast("B")
        file.seek(begin * kind.itemsize)
        while rest:
            got = file.readinto(rest)
            if not got:
                raise OSError("the temporary file is shorter than what was written")
            rest = rest[got:]
        return column


def _places() -> list[Path]:
    """Where the files may go: a disk of the user's rather than /tmp, which is often memory."""
    given = os.environ.get("XDG_CACHE_HOME", "")
    cache = Path(given if os.path.isabs(given) else os.path.expanduser("~/.cache"))
    return [cache / "lastack", Path(tempfile.gettempdir())]


def _two_files(place: Path) -> tuple[FileIO, FileIO]:
    place.mkdir(mode=0o700, parents=True, exist_ok=True)
    times = tempfile.TemporaryFile(dir=place, buffering=0)  # noqa: SIM115 (close() closes it)
    try:
        words = tempfile.TemporaryFile(dir=place, buffering=0)  # noqa: SIM115
    except OSError:
        times.close()
        raise
    return times, words


def _close_all(*files: FileIO) -> None:
    for file in files:
        file.close()


def _nothing(at_ns: int) -> Edges:
    return Edges(np.empty(0, np.int64), np.empty(0, np.uint8), begins=True, until_ns=at_ns)
