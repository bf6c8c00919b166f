"""What goes wrong with a run, in words: the store's own errors and the database's."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

from decoders.errors import DiagnosticError, Place


class RunError(DiagnosticError):
    """A run that cannot be recorded, opened or read."""


_DAMAGED = ("SQLITE_CORRUPT", "SQLITE_NOTADB")


def is_damage(error: sqlite3.Error) -> bool:
    """Whether the database's content is at fault, and not the way to it."""
    name = getattr(error, "sqlite_errorname", None) or ""
    return name.startswith(_DAMAGED)


def in_words(error: sqlite3.Error | OSError, path: Path) -> RunError:
    """What an error of the database or the system means to the user, and what to do.

    Args:
        error: as it was raised.
        path: of the database.
    """
    what, mend = _system(error) if isinstance(error, OSError) else _database(error, path)
    return RunError(what, place=Place(str(path)), mend=mend)


def _system(error: OSError) -> tuple[str, str]:
    if isinstance(error, FileNotFoundError):
        return "it is not there", "Check the name; if it was moved or deleted, put it back."
    if isinstance(error, PermissionError):
        return "permission is denied", "Give yourself permission for the folder and what is in it."
    if isinstance(error, NotADirectoryError | FileExistsError):
        return "there is a file where the run's folder should be", "Choose another name."
    return (
        f"it cannot be reached ({error.strerror or error})",
        "Check the disk it is on, and that it is still there.",
    )


def _database(error: sqlite3.Error, path: Path) -> tuple[str, str]:
    name = getattr(error, "sqlite_errorname", None) or type(error).__name__
    if name == "SQLITE_FULL":
        return "the disk is full", f"Make room{_room(path)}."
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_AUTH")):
        return "it may not be written", "Give yourself permission, or check how it is mounted."
    if name.startswith("SQLITE_CANTOPEN"):
        return (
            "it cannot be opened",
            "Check that it is there and that you may read and write in its folder; a run that was"
            " cut short cannot be opened on a medium that cannot be written: copy it first.",
        )
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return "another program has it locked", "End what that program is doing with it."
    if is_damage(error):
        return f"it is damaged or no run ({error})", "Copy it again from where it came from."
    if name.startswith("SQLITE_IOERR"):
        return (
            "the disk refuses",
            f"Check the disk it is on, its limits and its room{_room(path)} ({name}).",
        )
    return f"the database says: {error} ({name})", "Check the disk it is on."


def _room(path: Path) -> str:
    try:
        free = shutil.disk_usage(path.parent).free
    except OSError:
        return ""
    return f": {free / 1e6:.1f} MB are free on it"
