"""The recorder's database as its thread sees it: opened, watched, opened again after trouble."""

from __future__ import annotations

import sqlite3
from contextlib import suppress
from pathlib import Path

from console.run.appending import Appender
from console.run.batching import Rows
from console.run.errors import in_words
from console.run.merging import Merger
from console.run.schema import open_to_write
from decoders.errors import DiagnosticError

Failure = sqlite3.Error | OSError


class RunDatabase:
    """The open database of one session.

    Args:
        path: of the database.
        session: its row in `sessions`.
        durable: whether a commit waits for the disk.
    """

    def __init__(self, path: Path, session: int, *, durable: bool) -> None:
        self._path = path
        self._session = session
        self._durable = durable
        self._open()

    def store(self, rows: Rows, alive_ns: int) -> None:
        """Add rows.

        Raises:
            sqlite3.Error, OSError: nothing of them is stored.
        """
        self._check_in_place()
        self._appender.append(rows, alive_ns)
        if rows.blocks:
            self._merger.moved_on(max(block.last_ns for block in rows.blocks))

    @property
    def has_more_to_merge(self) -> bool:
        """Whether `merge` has work."""
        return self._merger.due

    def merge(self) -> None:
        """Join some small blocks of an hour gone by.

        Raises:
            sqlite3.Error: everything is as it was.
        """
        self._merger.step()

    def end(self, ended_ns: int) -> None:
        """End the session in good order and close.

        Raises:
            sqlite3.Error, OSError: that it ended is not written down; the records are stored.
        """
        try:
            self._check_in_place()
            self._appender.end(ended_ns)
            # The log is emptied into the file; without readers the file is then made a plain one,
            # which opens on any medium. Where others are in the way, the log stays: no harm done.
            with suppress(sqlite3.OperationalError):
                self._connection.execute("PRAGMA busy_timeout = 0")
                self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
                self._connection.execute("PRAGMA journal_mode = DELETE")
        finally:
            self._connection.close()

    def reopen(self) -> None:
        """Begin anew after trouble: what was mounted again has new descriptors.

        Raises:
            sqlite3.Error, OSError: it cannot be opened yet; the old connection is gone.
        """
        self._connection.close()
        self._open()

    def close(self) -> None:
        """Give up; what is stored stays."""
        self._connection.close()

    def words(self, error: Failure) -> DiagnosticError:
        """An error for people."""
        return in_words(error, self._path)

    def _open(self) -> None:
        self._connection = open_to_write(self._path, durable=self._durable)
        self._appender = Appender(self._connection, self._session)
        self._merger = Merger(self._connection)
        self._inode = self._path.stat().st_ino

    def _check_in_place(self) -> None:
        """Notice a file moved away or deleted, which can be written to its heart's content."""
        if self._path.stat().st_ino != self._inode:
            raise FileNotFoundError(str(self._path))
