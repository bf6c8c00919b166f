"""The program in a terminal of its own: what it draws as text, and keys for it."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import select
import signal
import struct
import sys
import termios
import time
from collections.abc import Mapping, Sequence
from types import TracebackType

ESCAPES = re.compile(
    rb"\x1b(?:\[[0-?]*[ -/]*[@-~]|[PX^_\]].*?(?:\x1b\\|\x07)|[@-Z\\-_])", re.DOTALL
)
LASTACK = (sys.executable, "-m", "console.cli")


class InTerminal:
    """A process in a pseudo-terminal (pty(7)); whatever happens, it is gone at the end.

    Args:
        command: program and arguments.
        environment: set on top of this process's own.
        columns: of the terminal.
        rows: of the terminal.
    """

    def __init__(
        self,
        command: Sequence[str],
        environment: Mapping[str, str],
        *,
        columns: int = 80,
        rows: int = 24,
    ) -> None:
        self.began = time.perf_counter()
        self.drawn = b""
        self.pid, self._master = pty.fork()
        if self.pid == 0:
            os.environ.update({"TERM": "xterm-256color", "PYTHONUTF8": "1", **environment})
            with contextlib.suppress(OSError):
                size = struct.pack("HHHH", rows, columns, 0, 0)
                fcntl.ioctl(0, termios.TIOCSWINSZ, size)
                os.execvp(command[0], list(command))
            os._exit(127)

    def __enter__(self) -> InTerminal:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)
        with contextlib.suppress(ChildProcessError):
            os.waitpid(self.pid, 0)
        os.close(self._master)

    @property
    def text(self) -> str:
        """Everything drawn so far, without what drives the terminal."""
        return ESCAPES.sub(b"", self.drawn).decode("utf-8", "replace")

    def until(self, words: str, timeout_s: float = 60.0) -> float:
        """Read until the words are drawn; seconds since the start."""
        from_here = time.perf_counter()
        while words not in self.text:
            if not self._read(0.5) or time.perf_counter() - from_here > timeout_s:
                raise AssertionError(f"{words!r} was not drawn in: {self.text[-2000:]}")
        return time.perf_counter() - self.began

    def press(self, keys: str) -> None:
        """Send keys, as a terminal does."""
        self.drawn = b""
        os.write(self._master, keys.encode())

    def ended(self, timeout_s: float = 30.0) -> int:
        """Wait for the end; the exit code, negative for the number of a signal."""
        end = time.perf_counter() + timeout_s
        while time.perf_counter() < end:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                return os.waitstatus_to_exitcode(status)
            self._read(0.05)
        raise AssertionError(f"still running after {timeout_s} s: {self.text[-2000:]}")

    def _read(self, wait_s: float) -> bool:
        """Take what was drawn; False at the end (EIO: the other side is gone)."""
        if not select.select([self._master], [], [], wait_s)[0]:
            return True
        try:
            block = os.read(self._master, 1 << 16)
        except OSError:
            return False
        self.drawn += block
        return bool(block)
