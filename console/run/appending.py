"""One open database, as the recorder writes to it: each call is one transaction."""

from __future__ import annotations

import platform
import socket
import sqlite3
import time
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from os import getpid

from console.run.batching import Block, Rows
from console.run.packing import to_sql
from console.run.rows import Mark, Text
from console.run.schema import ABOUT, PLAIN
from console.sources.records import HostClock

_ADD_BLOCK = (
    "INSERT INTO blocks (source_id, first_ns, last_ns, first_seq, last_seq, records, bytes, merged,"
    " packing, crc32, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
_ADD_TOTALS = (
    "UPDATE sources SET records = records + ?, bytes = bytes + ?,"
    " first_ns = min(coalesce(first_ns, ?), ?), last_ns = max(coalesce(last_ns, ?), ?) WHERE id = ?"
)
_ADD_COUNT = (
    "INSERT INTO counts (bucket_ns, source_id, records, bytes, troubles) VALUES (?, ?, ?, ?, ?)"
    " ON CONFLICT DO UPDATE SET records = records + excluded.records,"
    " bytes = bytes + excluded.bytes, troubles = troubles + excluded.troubles"
)
_ADD_FINDING = (
    "INSERT INTO findings (raised_ns, t_ns, rule, severity, party, source, summary, evidence)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Everything inside is stored, or nothing of it."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # some errors have rolled back already
            connection.execute("ROLLBACK")
        raise


def next_seq(connection: sqlite3.Connection) -> int:
    """The first free place in the order of the run's records."""
    (last,) = connection.execute("SELECT max(last_seq) FROM blocks").fetchone()
    return 1 if last is None else last + 1


def begin_session(
    connection: sqlite3.Connection, clock: HostClock, program: str, name: str, texts: Sequence[Text]
) -> int:
    """Write down a start of recording and what was watched; returns its id."""
    now = clock()
    with transaction(connection):
        cursor = connection.execute(
            "INSERT INTO sessions (started_ns, wall_ns, monotonic_ns, offset_ns, alive_ns, program,"
            " python, sqlite, host, pid, first_seq) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                now, time.time_ns(), time.monotonic_ns(), clock.of_monotonic(0), now, program,
                platform.python_version(), sqlite3.sqlite_version, socket.gethostname(), getpid(),
                next_seq(connection),
            ),
        )  # fmt: skip
        session = cursor.lastrowid or 0
        facts = (("bench", name), ("about", ABOUT))
        connection.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", facts)
        for text in texts:
            _keep_text(connection, session, text)
    return session


def _keep_text(connection: sqlite3.Connection, session: int, text: Text) -> None:
    """Store a file, unless the same stands there under its name already."""
    last = connection.execute(
        "SELECT content FROM texts WHERE role = ? AND name = ? ORDER BY id DESC LIMIT 1",
        (text.role, to_sql(text.name)),
    ).fetchone()
    if last is None or bytes(last[0]) != text.content:
        connection.execute(
            "INSERT INTO texts (session_id, role, name, content) VALUES (?, ?, ?, ?)",
            (session, text.role, to_sql(text.name), text.content),
        )


class Appender:
    """Adds rows to a run.

    Args:
        connection: see `schema.open_to_write`.
        session: that adds them.
    """

    def __init__(self, connection: sqlite3.Connection, session: int) -> None:
        self._connection = connection
        self._session = session
        self._sources: dict[str, int] = {}

    def append(self, rows: Rows, alive_ns: int) -> None:
        """Store rows in one transaction.

        Args:
            rows: none is fine: that the recorder lives is worth storing too.
            alive_ns: everything put until then is in them or stored already.

        Raises:
            sqlite3.Error: nothing of it is stored.
        """
        known = dict(self._sources)
        try:
            with transaction(self._connection):
                self._append(rows)
                self._connection.execute(
                    "UPDATE sessions SET alive_ns = ? WHERE id = ?", (alive_ns, self._session)
                )
        except sqlite3.Error:
            self._sources = known  # rows of new sources went with the rest
            raise

    def end(self, ended_ns: int) -> None:
        """Write down that the session ended in good order."""
        with transaction(self._connection):
            self._connection.execute(
                "UPDATE sessions SET alive_ns = ?, ended_ns = ? WHERE id = ?",
                (ended_ns, ended_ns, self._session),
            )

    def _append(self, rows: Rows) -> None:
        add = self._connection.executemany
        add(
            "INSERT INTO sources (name, kind, place) VALUES (?, ?, ?)"
            " ON CONFLICT DO UPDATE SET kind = excluded.kind, place = excluded.place",
            ((to_sql(named.name), named.kind, to_sql(named.place)) for named in rows.named),
        )
        ids = {
            name: self._source(name, rows.kinds.get(name, ""))
            for name in dict.fromkeys(
                [b.source for b in rows.blocks] + [loss.source for loss in rows.losses]
            )
        }
        add(_ADD_BLOCK, (_block_row(block, ids) for block in rows.blocks))
        add(
            _ADD_TOTALS,
            (
                (b.records, b.size, b.first_ns, b.first_ns, b.last_ns, b.last_ns, ids[b.source])
                for b in rows.blocks
            ),
        )
        add(
            _ADD_COUNT,
            (
                (bucket, ids[source], t.records, t.size, t.troubles)
                for (bucket, source), t in rows.counts.items()
            ),
        )
        add(
            "INSERT INTO happenings VALUES (?, ?, ?, ?, ?)",
            ((q, ids[h.source], h.t_ns, h.what, to_sql(h.detail)) for q, h in rows.happenings),
        )
        self._append_rare(rows, ids)

    def _append_rare(self, rows: Rows, ids: Mapping[str, int]) -> None:
        for loss in rows.losses:
            self._connection.execute(
                "INSERT INTO losses (source_id, from_ns, until_ns, records, bytes, why)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (ids[loss.source], loss.from_ns, loss.until_ns, loss.records, loss.bytes, loss.why),
            )
            self._connection.execute(
                "UPDATE sources SET lost = lost + ? WHERE id = ?", (loss.records, ids[loss.source])
            )
        for f in rows.findings:
            words = (f.rule, f.severity, f.party, f.source, f.summary, f.evidence)
            self._connection.execute(_ADD_FINDING, (f.raised_ns, f.t_ns, *map(to_sql, words)))
        for mark in rows.marks:
            self._connection.execute(
                "INSERT INTO marks (from_ns, until_ns, kind, text, finding_id)"
                " VALUES (?, ?, ?, ?, ?)",
                (
                    mark.from_ns, mark.until_ns, to_sql(mark.kind), to_sql(mark.text),
                    self._finding(mark),
                ),
            )  # fmt: skip

    def _finding(self, mark: Mark) -> int | None:
        """Id of the finding whose evidence a mark frames."""
        found = mark.finding
        if found is None:
            return None
        row = self._connection.execute(
            "SELECT max(id) FROM findings WHERE raised_ns = ? AND t_ns = ? AND rule = ?"
            " AND party = ?",
            (found.raised_ns, found.t_ns, to_sql(found.rule), to_sql(found.party)),
        ).fetchone()
        return None if row is None else row[0]

    def _source(self, name: str, kind: str) -> int:
        known = self._sources.get(name)
        if known is not None and not kind:
            return known
        row = self._connection.execute(
            "INSERT INTO sources (name, kind, place) VALUES (?, ?, '') ON CONFLICT DO UPDATE"
            " SET kind = CASE kind WHEN '' THEN excluded.kind ELSE kind END RETURNING id",
            (to_sql(name), kind),
        ).fetchone()
        self._sources[name] = row[0]
        return int(row[0])


def _block_row(block: Block, ids: Mapping[str, int]) -> tuple[object, ...]:
    return (
        ids[block.source], block.first_ns, block.last_ns, block.first_seq, block.last_seq,
        block.records, block.size, 0, PLAIN, zlib.crc32(block.data), block.data,
    )  # fmt: skip
