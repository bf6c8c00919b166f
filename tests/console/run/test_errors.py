from __future__ import annotations

import errno
import sqlite3
from pathlib import Path

import pytest

from console.run.errors import in_words, is_damage


def of_sqlite(name: str) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("words of the library")
    error.sqlite_errorname = name
    return error


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("SQLITE_FULL", "the disk is full"),
        ("SQLITE_IOERR_WRITE", "the disk refuses"),
        ("SQLITE_READONLY_DBMOVED", "it may not be written"),
        ("SQLITE_CANTOPEN", "it cannot be opened"),
        ("SQLITE_BUSY", "another program has it locked"),
        ("SQLITE_CORRUPT_INDEX", "it is damaged or no run (words of the library)"),
        ("SQLITE_TOOBIG", "the database says: words of the library (SQLITE_TOOBIG)"),
    ],
)
def test_errors_of_the_database_are_put_into_words(name: str, message: str, tmp_path: Path) -> None:
    error = in_words(of_sqlite(name), tmp_path / "run.sqlite")
    assert error.message == message
    assert error.mend
    assert error.place is not None
    assert error.place.name == str(tmp_path / "run.sqlite")


def test_a_full_disk_says_what_room_there_is(tmp_path: Path) -> None:
    assert "MB are free" in in_words(of_sqlite("SQLITE_FULL"), tmp_path / "x").mend
    assert "MB are free" not in in_words(of_sqlite("SQLITE_FULL"), tmp_path / "no" / "x").mend


@pytest.mark.parametrize(
    ("code", "message"),
    [
        (errno.ENOENT, "it is not there"),
        (errno.EACCES, "permission is denied"),
        (errno.EEXIST, "there is a file where the run's folder should be"),
        (errno.ESTALE, "it cannot be reached (Stale file handle)"),
    ],
)
def test_errors_of_the_system_are_put_into_words(code: int, message: str, tmp_path: Path) -> None:
    names = {errno.ESTALE: "Stale file handle"}
    error = in_words(OSError(code, names.get(code, "x")), tmp_path)
    assert error.message == message
    assert error.mend


def test_damage_is_told_from_other_trouble() -> None:
    assert is_damage(of_sqlite("SQLITE_CORRUPT_VTAB"))
    assert is_damage(of_sqlite("SQLITE_NOTADB"))
    assert not is_damage(of_sqlite("SQLITE_IOERR_READ"))
