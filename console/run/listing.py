"""Which blocks a replay has to open, in order; without the indexes where those are damaged."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.run.errors import is_damage

_LISTED_AT_ONCE = 16384
_COLUMNS = "id, source_id, first_ns, first_seq"
_FIRST_NS, _AFTER_ALL_NS = -(1 << 63), 1 << 63

# A damaged list is walked id by id, so far past the last block that was found; then in larger
# steps, up to more blocks than a run has.
_STEPS_OF_ONE = 4096
_LAST_ID = 1 << 48


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which records, and in which order."""

    source_id: int | None = None  # None: all
    from_ns: int = _FIRST_NS
    until_ns: int = _AFTER_ALL_NS  # not included
    after_seq: int = 0
    by_seq: bool = False  # in the order they were put; else by time, and at one time as put

    def has(self, source_id: int, t_ns: int, seq: int) -> bool:
        """Whether a record is one of them."""
        return (
            self.from_ns <= t_ns < self.until_ns
            and seq > self.after_seq
            and (self.source_id is None or self.source_id == source_id)
        )


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """n blocks, by what they begin with: the time, or the place in the order."""

    ids: npt.NDArray[np.int64]  # [n]
    source: npt.NDArray[np.int64]  # [n] id
    first_ns: npt.NDArray[np.int64]  # [n]
    first_seq: npt.NDArray[np.int64]  # [n]


def blocks_with(connection: sqlite3.Connection, wanted: Wanted) -> Blocks:
    """The blocks that may hold what is wanted.

    Raises:
        sqlite3.Error: when they cannot be listed for another reason than damage.
    """
    if wanted.by_seq:
        where, asked = "last_seq > ?", [wanted.after_seq]
    else:
        where, asked = "last_ns >= ? AND first_ns <= ?", [wanted.from_ns, wanted.until_ns - 1]
    if wanted.source_id is not None:
        where, asked = where + " AND source_id = ?", [*asked, wanted.source_id]
    query = f"SELECT {_COLUMNS} FROM blocks WHERE {where}"
    try:
        rows = _fetched(connection.execute(query, asked))
    except sqlite3.DatabaseError as error:
        if not is_damage(error):
            raise
        rows = _walked(connection)
    key = rows[:, 3] if wanted.by_seq else rows[:, 2]
    rows = rows[np.argsort(key, kind="stable")]
    return Blocks(*(np.ascontiguousarray(rows[:, k]) for k in range(4)))


def _fetched(cursor: sqlite3.Cursor) -> npt.NDArray[np.int64]:
    """All rows, [n, 4], never many of them as objects."""
    parts = [np.empty((0, 4), np.int64)]
    while rows := cursor.fetchmany(_LISTED_AT_ONCE):
        parts.append(np.array(rows, np.int64))
    return np.concatenate(parts)


def _walked(connection: sqlite3.Connection) -> npt.NDArray[np.int64]:
    """What can be read of the table itself, block by block."""
    found: list[tuple[int, ...]] = []
    block, failed = 0, 0
    while block < _LAST_ID:
        try:
            row = connection.execute(
                f"SELECT {_COLUMNS} FROM blocks WHERE id > ? ORDER BY id LIMIT 1", (block,)
            ).fetchone()
        except sqlite3.DatabaseError:
            failed += 1
            block += 1 if failed < _STEPS_OF_ONE else block  # doubles
            continue
        if row is None:
            break
        found.append(row)
        block, failed = row[0], 0
    return np.array(found, np.int64).reshape(-1, 4)
