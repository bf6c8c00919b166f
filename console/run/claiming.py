"""A run folder claimed by one recorder: made when it is new, locked, and known to be ours."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from console.run.checking import refuse_others
from console.run.errors import RunError, in_words
from console.run.lock import RecorderLock
from console.run.schema import DATABASE, create, open_to_read
from decoders.errors import Place


def claimed(folder: Path, *, append: bool) -> tuple[Path, RecorderLock]:
    """The database of a run and the lock on it, both there and ours.

    Args:
        folder: of the run.
        append: whether a run that is there is gone on with.

    Raises:
        RunError: when that is not possible, and why.
    """
    path = folder / DATABASE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = RecorderLock(folder)
    except BlockingIOError as error:
        raise RunError(
            f"another recorder is at it{_holder(path)}",
            place=Place(str(folder)),
            mend="End that one first, or record into another folder.",
        ) from error
    except (sqlite3.Error, OSError) as error:
        raise in_words(error, folder) from error
    try:
        _make(path, append=append)
    except (sqlite3.Error, OSError) as error:
        lock.release()
        raise in_words(error, path) from error
    except RunError:
        lock.release()
        raise
    return path, lock


def _make(path: Path, *, append: bool) -> None:
    if not path.exists():
        create(path)
        return
    if not append:
        raise RunError(
            "there is a run already",
            place=Place(str(path.parent)),
            mend="Choose another name, or go on with it (--append).",
        )
    connection = open_to_read(path)
    try:
        refuse_others(connection, path)
    finally:
        connection.close()


def _holder(path: Path) -> str:
    """Who records into a run, as its last session says."""
    try:
        connection = open_to_read(path)
    except sqlite3.Error:
        return ""
    try:
        row = connection.execute(
            "SELECT pid, host, started_ns FROM sessions ORDER BY id DESC LIMIT 1"
        ).fetchone()
    except sqlite3.Error:
        return ""
    finally:
        connection.close()
    if row is None:
        return ""
    since = datetime.fromtimestamp(row[2] / 1e9, UTC)
    return f": process {row[0]} on {row[1]}, since {since:%Y-%m-%d %H:%M:%S} UTC"
