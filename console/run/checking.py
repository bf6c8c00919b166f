"""Whether a database is a run, of a schema known here, and whole."""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from console.run.errors import RunError, in_words
from console.run.packing import unpacked
from console.run.schema import APPLICATION_ID, SCHEMA
from decoders.errors import Place

_LAST_BLOCKS = 16  # looked at whenever a run is opened

_TABLES = frozenset((
    "meta", "sessions", "sources", "texts", "blocks", "happenings", "losses", "marks", "findings",
    "counts",
))  # fmt: skip


def refuse_others(connection: sqlite3.Connection, path: Path) -> None:
    """Let only runs pass.

    Raises:
        RunError: when it is another program's database, of a newer schema, or lacks tables.
        sqlite3.Error: when it cannot be read at all.
    """
    place = Place(str(path))
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    if owner != APPLICATION_ID:
        raise RunError(
            "it is an SQLite database of another program, not a run",
            place=place,
            mend="Give the folder of a run.",
        )
    (schema,) = connection.execute("PRAGMA user_version").fetchone()
    if schema > SCHEMA:
        raise RunError(
            f"it was made by a newer version (schema {schema}; known here: {SCHEMA})",
            place=place,
            mend=f"Update lastack{_made_by(connection)}.",
        )
    found = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema")}
    if missing := sorted(_TABLES - found):
        raise RunError(
            f"it lacks tables of a run: {', '.join(missing)}",
            place=place,
            mend="Copy it again from where it came from.",
        )


def _made_by(connection: sqlite3.Connection) -> str:
    try:
        row = connection.execute("SELECT program FROM sessions ORDER BY id DESC LIMIT 1").fetchone()
    except sqlite3.Error:
        return ""  # its sessions have another form
    return f": it was recorded by version {row[0]}" if row and row[0] else ""


def problems(connection: sqlite3.Connection, path: Path, *, full: bool) -> Iterator[RunError]:
    """What is wrong with the content of a run.

    Args:
        connection: to read with.
        path: for errors.
        full: look at every page and block; else at the newest blocks alone.
    """
    place = Place(str(path))
    try:
        if full:
            for (told,) in connection.execute("PRAGMA integrity_check(20)"):
                if told != "ok":
                    yield RunError(f"the database is damaged: {told}", place=place, mend=_MEND)
        yield from _damaged_blocks(connection, place, full=full)
        if full:
            yield from _miscounted(connection, place)
    except sqlite3.DatabaseError as error:
        wrapped = in_words(error, path)
        wrapped.mend = _MEND
        yield wrapped


_MEND = "What can be read is shown; copy it again from where it came from for the rest."


def _damaged_blocks(
    connection: sqlite3.Connection, place: Place, *, full: bool
) -> Iterator[RunError]:
    newest = "SELECT id FROM blocks ORDER BY id DESC"
    if not full:
        newest += f" LIMIT {_LAST_BLOCKS}"
    for (block,) in connection.execute(newest).fetchall():
        row = connection.execute(
            "SELECT records, packing, crc32, data FROM blocks WHERE id = ?", (block,)
        ).fetchone()
        if row is None:
            continue  # joined with others since
        try:
            rows_in(*row)
        except ValueError as error:
            told = f"block {block} with {row[0]} records: {error}"
            yield RunError(told, place=place, mend=_MEND)


def rows_in(records: int, packing: int, crc32: int, data: bytes) -> list[list[Any]]:
    """The rows of a block as stored.

    Raises:
        ValueError: what is wrong with it, as a clause.
    """
    if zlib.crc32(data) != crc32:
        raise ValueError("its checksum is wrong")
    try:
        return unpacked(data, records, packing)
    except ValueError as error:
        raise ValueError(f"it cannot be unpacked ({error})") from error


def _miscounted(connection: sqlite3.Connection, place: Place) -> Iterator[RunError]:
    for total, held in connection.execute(
        "SELECT s.records, coalesce(b.records, 0) FROM sources s LEFT JOIN (SELECT source_id,"
        " sum(records) AS records FROM blocks GROUP BY source_id) b ON b.source_id = s.id"
        " WHERE s.records <> coalesce(b.records, 0)"
    ):
        yield RunError(f"a source had {total} records, {held} are there", place=place, mend=_MEND)
