"""Files and standard input as chunks of bytes; gzip is undone on the way, told by content."""

from __future__ import annotations

import difflib
import os
import select
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from console.sources.inflate import GZIP_MAGIC, Inflater
from decoders.errors import DiagnosticError, Place

BLOCK_BYTES = 1 << 20
STDIN = "-"
STDIN_NAME = "<stdin>"
ASK_EVERY_S = 0.05  # how often a wait for a pipe asks whether to go on


class FileError(DiagnosticError):
    """A file that cannot be opened or read to its end."""


class SourceFile:
    """One file, read once from front to end.

    Iterate it for its chunks. Damage that shows only after good bytes ends the iteration and is
    kept as `trouble`; what came before is good.

    Args:
        path: of the file, or "-" for standard input.
        block_bytes: most bytes of a chunk.
        stop: asked while a pipe or device has nothing to read; when it says so, that is its end.
            None: wait for as long as it takes.

    Raises:
        FileError: when it cannot be opened.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        block_bytes: int = BLOCK_BYTES,
        stop: Callable[[], bool] | None = None,
    ) -> None:
        self.is_stdin = str(path) == STDIN
        self.name = STDIN_NAME if self.is_stdin else str(path)
        self.read_bytes = 0  # of the file itself, before unzipping: for progress
        self.total_bytes: int | None = None  # the same at the end; None when it cannot be known
        self.gzipped = False  # known once the first chunk was asked for
        self.trouble: FileError | None = None
        self._block_bytes = block_bytes
        self._stop = stop
        self._stream = self._open(path)
        self._chunks = self._unzipped()
        self._peeked: list[bytes] = []

    def head(self, size: int = 1 << 16) -> bytes:
        """The first `size` bytes (unzipped), or all when there are fewer; they stay to be read.

        Raises:
            FileError: when nothing can be read.
        """
        while sum(map(len, self._peeked)) < size:
            chunk = next(self._chunks, b"")
            if not chunk:
                break
            self._peeked.append(chunk)
        return b"".join(self._peeked)[:size]

    def __iter__(self) -> Iterator[bytes]:
        while self._peeked:
            yield self._peeked.pop(0)
        yield from self._chunks

    def __enter__(self) -> SourceFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; standard input stays open."""
        if not self.is_stdin:
            self._stream.close()

    def _open(self, path: str | Path) -> BinaryIO:
        if self.is_stdin:
            if sys.stdin is None:
                raise FileError(
                    "it is closed", place=Place(self.name), mend="Pipe a recording into it."
                )
            return sys.stdin.buffer
        try:
            opener = None if self._stop is None else _unwaiting
            stream = open(path, "rb", buffering=0, opener=opener)  # noqa: SIM115 (close() closes it)
            size = os.fstat(stream.fileno()).st_size
        except OSError as error:
            raise _cannot(error, self.name) from error
        self.total_bytes = size or None  # a pipe or device has no size
        return stream

    def _raw(self) -> Iterator[bytes]:
        """Blocks as they come; a pipe gives what it has instead of waiting for a full block."""
        read = getattr(self._stream, "read1", self._stream.read)
        while self._has_more():
            try:
                block: bytes = read(self._block_bytes)
            except OSError as error:
                wrapped = _cannot(error, self.name)
                if not self.read_bytes:
                    raise wrapped from error
                self.trouble = wrapped
                return
            if not block:
                return
            self.read_bytes += len(block)
            yield block

    def _has_more(self) -> bool:
        """Wait until there is something to read, or the end; False when `stop` says so first."""
        stop = self._stop
        if stop is None or self.total_bytes is not None:
            return True
        while not select.select([self._stream], [], [], ASK_EVERY_S)[0]:
            if stop():
                return False
        return True

    def _unzipped(self) -> Iterator[bytes]:
        blocks = self._raw()
        first = next(blocks, b"")
        while 0 < len(first) < len(GZIP_MAGIC) and (more := next(blocks, b"")):
            first += more
        if not first:
            return
        if not first.startswith(GZIP_MAGIC):
            yield first
            yield from blocks
            return
        self.gzipped = True
        inflater = Inflater(self._block_bytes)
        yield from inflater.feed(first)
        for block in blocks:
            if inflater.trouble:
                break
            yield from inflater.feed(block)
        inflater.finish()
        if inflater.trouble and self.trouble is None:
            self.trouble = FileError(
                inflater.trouble,
                place=Place(self.name),
                mend="What came before is used. Copy or export the file again for the rest.",
            )


def _unwaiting(path: str, flags: int) -> int:
    """Open a named pipe without waiting for its writer; anything else as usual."""
    if not stat.S_ISFIFO(os.stat(path).st_mode):
        return os.open(path, flags)
    descriptor = os.open(path, flags | os.O_NONBLOCK)
    os.set_blocking(descriptor, True)
    return descriptor


def _cannot(error: OSError, name: str) -> FileError:
    """What an operating-system error means to the user, and what to do."""
    if isinstance(error, FileNotFoundError):
        what, mend = "no such file", _nearest(name)
    elif isinstance(error, IsADirectoryError):
        what, mend = "this is a directory", "Give the files in it, or its bench file."
    elif isinstance(error, PermissionError):
        what, mend = "it may not be read", "Give yourself permission to read it (chmod u+r)."
    else:
        what = f"it cannot be read ({error.strerror or error})"
        mend = "Check the disk or device it is on, and that it is still there."
    return FileError(what, place=Place(name), mend=mend)


def _nearest(name: str) -> str:
    path = Path(name)
    try:
        names = os.listdir(path.parent)
    except OSError:
        return f"There is no directory {str(path.parent)!r} either."
    close = difflib.get_close_matches(path.name, names, n=1, cutoff=0.7)
    if close:
        return f"Did you mean {str(path.parent / close[0])!r}?"
    return "Check the name and the directory it is given from."
