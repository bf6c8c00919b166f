"""One recorder a run: a lock that the system lets go when its holder dies, however it dies.

An exclusive transaction on a database of its own that is never written: SQLite locks files on every
system it runs on (fcntl locks where there are any), and takes care that two holders in one process
meet too, which bare fcntl locks do not.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

LOCK = "recorder.lock"


class RecorderLock:
    """Held from construction to `release`.

    Args:
        folder: of the run; must exist.

    Raises:
        BlockingIOError: when another recorder holds it.
        sqlite3.Error: when the file cannot be made.
    """

    def __init__(self, folder: Path) -> None:
        self._connection = sqlite3.connect(
            folder / LOCK, isolation_level=None, timeout=0.0, check_same_thread=False
        )
        try:
            self._connection.execute("PRAGMA journal_mode = MEMORY")  # no file beside it
            self._connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            self._connection.close()
            if error.sqlite_errorname.startswith("SQLITE_BUSY"):
                raise BlockingIOError(str(folder / LOCK)) from error
            raise

    def release(self) -> None:
        """Let others record."""
        self._connection.close()
