"""Where `lastack record` writes: findings to stdout, troubles and one status line to stderr.

A reader of our output that goes away, or a full disk behind it, does not end a recording of days:
it is told once, and nothing more is written there.
"""

from __future__ import annotations

import os
import shutil
import sys
from typing import TextIO

from rich.cells import cell_len, set_cell_size


class Output:
    """Both streams of one recording; used by one thread.

    Args:
        quiet: whether nothing is said on stderr but errors.
        bell: whether findings ring, on a terminal.
    """

    def __init__(self, *, quiet: bool, bell: bool) -> None:
        self._quiet = quiet
        self._is_terminal = sys.stderr.isatty() and os.environ.get("TERM") != "dumb"
        self._rings = bell and self._is_terminal
        self._shown = ""  # the status line as it stands
        self._deaf: set[TextIO] = set()

    def finding(self, line: str) -> None:
        """One line on stdout."""
        self._clear()
        self._write(sys.stdout, line + "\n")
        if self._rings:
            self._write(sys.stderr, "\a")

    def say(self, line: str) -> None:
        """One line on stderr, unless quiet."""
        if not self._quiet:
            self.error(line)

    def error(self, line: str) -> None:
        """One line on stderr."""
        self._clear()
        self._write(sys.stderr, f"lastack: {line}\n")

    def status(self, line: str) -> None:
        """The status line, in place of the one before; on a terminal alone."""
        if self._quiet or not self._is_terminal or line == self._shown:
            return
        width = shutil.get_terminal_size().columns - 1
        shown = line if cell_len(line) <= width else set_cell_size(line, width)
        self._write(sys.stderr, f"\r\x1b[K{shown}")
        self._shown = line

    def close(self) -> None:
        """Leave no status line behind."""
        self._clear()

    def _clear(self) -> None:
        if self._shown:
            self._write(sys.stderr, "\r\x1b[K")
            self._shown = ""

    def _write(self, stream: TextIO, text: str) -> None:
        if stream in self._deaf:
            return
        try:
            stream.write(text)
            stream.flush()
        except (OSError, ValueError) as error:
            self._deaf.add(stream)
            _mute(stream)
            if stream is sys.stdout:
                why = getattr(error, "strerror", None) or error
                self.error(f"findings cannot be written any more: {why}. The recording goes on.")


def _mute(stream: TextIO) -> None:
    """Point it at nothing, or the interpreter's last flush would complain again."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, stream.fileno())
    os.close(nothing)
