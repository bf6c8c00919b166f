"""Small blocks joined into larger ones, a few thousand at a time, each time in one transaction.

A commit every fraction of a second makes a small block of each source; a week of them would be
tens of millions of rows. So when an hour has gone by (by the stamps), or `ROUND_BLOCKS` blocks have
come in, what was there by then is gone through once in the order of ids: small blocks of one source
are joined, and shrunk if that is worth it, until the joint one is of a good size. Cut short
anywhere, the run holds either the small ones or the joint one. The place reached is kept in memory
only: after a new start everything is gone through again, joint and large blocks being passed over.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from console.run.appending import transaction
from console.run.batching import BLOCK_RECORDS
from console.run.packing import plain_of, shrunk

ROUND_NS = 3_600_000_000_000
ROUND_BLOCKS = 1 << 18

_SMALL_RECORDS, _SMALL_BYTES = 1024, 64 << 10  # larger ones stay as they are
_JOINT_BYTES = 256 << 10
_STEP_BLOCKS = 4096  # a step must not keep commits waiting: about 30 ms
_STEP_BYTES = 4 << 20

_CANDIDATES = (
    "SELECT id, source_id, first_ns, last_ns, first_seq, last_seq, records, bytes, packing, data,"
    " crc32 FROM blocks WHERE id > ? AND id <= ? AND merged = 0 AND records < ? AND bytes < ?"
    " ORDER BY id LIMIT ?"
)
_ADD = (
    "INSERT INTO blocks (source_id, first_ns, last_ns, first_seq, last_seq, records, bytes, merged,"
    " packing, crc32, data) VALUES (?, ?, ?, ?, ?, ?, ?, 1, ?, ?, ?)"
)


@dataclass(slots=True)
class _Group:
    """Small blocks of one source that become one."""

    rows: list[Sequence[Any]] = field(default_factory=list)
    records: int = 0
    size: int = 0


class Merger:
    """Goes through the blocks of hours gone by.

    Args:
        connection: the recorder's own.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._reached = 0  # every block up to this id has been looked at
        self._until = self._last_id()  # what an earlier session left; later: of hours gone by
        self._round: int | None = None

    def moved_on(self, newest_ns: int) -> None:
        """Told after each commit: the newest stamp in it."""
        now = newest_ns // ROUND_NS
        if self._round is None or now > self._round:
            if self._round is not None:
                self._until = self._last_id()
            self._round = now
        elif self._reached >= self._until and self._last_id() - self._until > ROUND_BLOCKS:
            self._until = self._last_id()

    @property
    def due(self) -> bool:
        """Whether a step has something to look at."""
        return self._reached < self._until

    def step(self) -> None:
        """Join some blocks.

        Raises:
            sqlite3.Error: everything is as it was.
        """
        rows = self._candidates()
        done, reached = _joinable(rows), rows[-1][0] if rows else self._until
        if done:
            with transaction(self._connection):
                self._connection.executemany(_ADD, [_joint(group.rows) for group in done])
                self._connection.executemany(
                    "DELETE FROM blocks WHERE id = ?",
                    [(row[0],) for group in done for row in group.rows],
                )
        self._reached = reached

    def _candidates(self) -> list[Sequence[Any]]:
        """The next small blocks."""
        asked = (self._reached, self._until, _SMALL_RECORDS, _SMALL_BYTES, _STEP_BLOCKS)
        found: list[Sequence[Any]] = []
        size = 0
        cursor = self._connection.execute(_CANDIDATES, asked)
        for row in cursor:
            found.append(row)
            size += len(row[9])
            if size > _STEP_BYTES:
                break
        cursor.close()
        return found

    def _last_id(self) -> int:
        (last,) = self._connection.execute("SELECT max(id) FROM blocks").fetchone()
        return last or 0


def _joinable(rows: Sequence[Sequence[Any]]) -> list[_Group]:
    """Blocks by source, cut where the joint one is large enough; no group of one."""
    opened: dict[int, _Group] = {}
    done: list[_Group] = []
    for row in rows:
        if zlib.crc32(row[9]) != row[10]:
            continue  # damaged: stays by itself, or its neighbours would be lost with it
        group = opened.setdefault(row[1], _Group())
        full = group.records + row[6] > BLOCK_RECORDS or group.size + len(row[9]) > _JOINT_BYTES
        if full and group.rows:
            done.append(group)
            group = opened[row[1]] = _Group()
        group.rows.append(row)
        group.records += row[6]
        group.size += len(row[9])
    return [group for group in [*done, *opened.values()] if len(group.rows) > 1]


def _joint(rows: Sequence[Sequence[Any]]) -> tuple[object, ...]:
    data, packing = shrunk(b"".join(plain_of(row[9], row[8]) for row in rows))
    return (
        rows[0][1], min(row[2] for row in rows), max(row[3] for row in rows),
        rows[0][4], rows[-1][5], sum(row[6] for row in rows), sum(row[7] for row in rows),
        packing, zlib.crc32(data), data,
    )  # fmt: skip
