"""The records of a run in order, a few blocks in memory at a time, while others are recorded.

Blocks of several sources overlap, so they are opened in the order of their begins, and a record is
given once no block that is still closed can hold an earlier one. No transaction outlasts a query: a
long one would keep the recorder's log from being emptied. So a block may be gone when its turn
comes, joined with others by the recorder; then the blocks are listed again from the last record
given.
What cannot be read is given as `Happened("lost")` in its place.
"""

from __future__ import annotations

import sqlite3
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import replace

from console.run.checking import rows_in
from console.run.errors import is_damage
from console.run.listing import Blocks, Wanted, blocks_with
from console.run.packing import from_sql, record_of
from console.sources.records import Happened, Record

# What entries are sorted by, and the record: (t_ns, seq, record), or (seq, t_ns, record).
Entry = tuple[int, int, Record]

_BEFORE_ALL = (-(1 << 63), -(1 << 63))


class Replay:
    """Reads records.

    Args:
        connection: to read with.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._names: dict[int, str] = {}

    def records(self, wanted: Wanted) -> Iterator[tuple[int, Record]]:
        """(seq, record) in the order asked for.

        Raises:
            sqlite3.Error: when the run cannot be reached; damage is told in place.
        """
        gone: set[int] = set()
        done = _BEFORE_ALL  # records up to this have been given
        rest: Wanted | None = wanted
        while rest is not None:
            blocks = blocks_with(self._connection, rest)
            rest = None
            pending: list[Entry] = []
            begins = blocks.first_seq if wanted.by_seq else blocks.first_ns
            for k, begin in enumerate(begins.tolist()):
                if ready := bisect_left(pending, (begin,)):
                    yield from _given(pending[:ready], wanted.by_seq)
                    done = pending[ready - 1][:2]
                    del pending[:ready]
                block = int(blocks.ids[k])
                found = self._opened(blocks, k, wanted, listed_again=block in gone)
                if found is None:
                    gone.add(block)
                    rest = _from(wanted, done)
                    break
                pending += [entry for entry in found if entry[:2] > done]
                pending.sort()  # of runs that are sorted already: as quick as merging them
            else:
                yield from _given(pending, wanted.by_seq)

    def _opened(
        self, blocks: Blocks, k: int, wanted: Wanted, *, listed_again: bool
    ) -> list[Entry] | None:
        """What a block has of what is wanted; None when it is gone.

        Args:
            blocks: as listed.
            k: which of them.
            wanted: what.
            listed_again: it was gone before, so what lists it now is damaged.
        """
        source = int(blocks.source[k])
        try:
            row = self._connection.execute(
                "SELECT records, packing, crc32, data FROM blocks WHERE id = ?",
                (int(blocks.ids[k]),),
            ).fetchone()
            if row is None:
                if not listed_again:
                    return None
                raise ValueError("it is not there")
            rows = rows_in(*row)
        except (sqlite3.DatabaseError, ValueError) as error:
            if isinstance(error, sqlite3.Error) and not is_damage(error):
                raise
            detail = f"block {blocks.ids[k]} cannot be read: {error}"
            t_ns, seq = int(blocks.first_ns[k]), int(blocks.first_seq[k])
            return [_entry(t_ns, seq, Happened(self._name(source), t_ns, "lost", detail), wanted)]
        name = self._name(source)
        return [
            _entry(row[0], row[1], record_of(row, name), wanted)
            for row in rows
            if wanted.has(source, row[0], row[1])
        ]

    def _name(self, source: int) -> str:
        known = self._names.get(source)
        if known is None:
            row = self._connection.execute(
                "SELECT name FROM sources WHERE id = ?", (source,)
            ).fetchone()
            known = self._names[source] = f"source {source}" if row is None else from_sql(row[0])
        return known


def _entry(t_ns: int, seq: int, record: Record, wanted: Wanted) -> Entry:
    return (seq, t_ns, record) if wanted.by_seq else (t_ns, seq, record)


def _given(ready: Sequence[Entry], by_seq: bool) -> Iterator[tuple[int, Record]]:
    for first, second, record in ready:
        yield (first if by_seq else second), record


def _from(wanted: Wanted, done: tuple[int, int]) -> Wanted:
    """What is still wanted once everything up to `done` was given, and maybe some of that."""
    if done == _BEFORE_ALL:
        return wanted
    if wanted.by_seq:
        return replace(wanted, after_seq=max(wanted.after_seq, done[0]))
    return replace(wanted, from_ns=max(wanted.from_ns, done[0]))
