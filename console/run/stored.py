"""A run as it is stored: read, whole or while it is being recorded; nothing is ever written."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from console.run.checking import problems, refuse_others
from console.run.errors import RunError, in_words, is_damage
from console.run.listing import Wanted
from console.run.packing import from_sql
from console.run.replay import Replay
from console.run.rows import Counts, Loss, Mark, Raised, Session, StoredSource, Text
from console.run.schema import BUCKET_NS, database_of, open_to_read
from console.sources.records import Happened, Record
from decoders.errors import Place


class StoredRun:
    """A run, opened to be read.

    What is damaged is told by `problems`, and what can be read is given all the same.

    Args:
        path: of the run's folder, or of the database in it.
        full: check every page and every block; else the newest blocks alone.

    Raises:
        RunError: when it is no run, or cannot be opened.
    """

    def __init__(self, path: str | Path, *, full: bool = False) -> None:
        self.path = database_of(path)
        self.problems: tuple[RunError, ...] = ()
        self._connection = self._opened()
        with self._in_words():
            try:
                refuse_others(self._connection, self.path)
            except (RunError, sqlite3.Error):
                self._connection.close()
                raise
            self.problems += tuple(problems(self._connection, self.path, full=full))
        self._replay = Replay(self._connection)

    def __enter__(self) -> StoredRun:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let the file go."""
        self._connection.close()

    @property
    def name(self) -> str:
        """Of its bench."""
        return str(next((value for (value,) in self._rows(_NAME)), ""))

    def sources(self) -> list[StoredSource]:
        """What was recorded, in the order it was first heard of."""
        return [
            StoredSource(from_sql(name), kind, from_sql(place), *rest)
            for name, kind, place, *rest in self._rows(
                "SELECT name, kind, place, records, bytes, lost, first_ns, last_ns FROM sources"
                " ORDER BY id"
            )
        ]

    def sessions(self) -> list[Session]:
        """Each start of recording."""
        return [
            Session(*row)
            for row in self._rows(
                "SELECT started_ns, wall_ns, monotonic_ns, offset_ns, alive_ns, ended_ns, program,"
                " python, sqlite, host, pid, first_seq FROM sessions ORDER BY id"
            )
        ]

    def span_ns(self) -> tuple[int, int] | None:
        """From when until when it observed, silence included; None when it never began."""
        (row,) = self._rows(
            "SELECT min(a), max(b) FROM (SELECT started_ns AS a, alive_ns AS b FROM sessions"
            " UNION ALL SELECT first_ns, last_ns FROM sources)"
        )
        return None if row[0] is None else (row[0], row[1])

    def texts(self) -> list[Text]:
        """The bench file and packet files as the last session had them."""
        return [
            Text(role, from_sql(name), bytes(content))
            for role, name, content in self._rows(
                "SELECT role, name, content FROM texts WHERE id IN"
                " (SELECT max(id) FROM texts GROUP BY role, name) ORDER BY id"
            )
        ]

    def records(
        self, source: str | None = None, from_ns: int | None = None, until_ns: int | None = None
    ) -> Iterator[Record]:
        """Records by time, and in the order they were put where stamps are equal.

        Memory is bounded by a block of each source, where stamps are about in order. What is
        recorded while this runs may or may not be among them.

        Args:
            source: its name; None: all.
            from_ns: the first stamp wanted.
            until_ns: the first stamp not wanted any more.

        Raises:
            RunError: when the run cannot be reached any more.
            ValueError: for a source that the run has not.
        """
        wanted = Wanted(
            None if source is None else self._source_id(source),
            Wanted().from_ns if from_ns is None else from_ns,
            Wanted().until_ns if until_ns is None else until_ns,
        )
        with self._in_words():
            for _, record in self._replay.records(wanted):
                yield record

    def records_after(self, seq: int = 0) -> Iterator[tuple[int, Record]]:
        """Records in the order they were put, with their place in it.

        To follow a recording, ask again after the last place given.

        Args:
            seq: the place after which to begin; 0: all.

        Raises:
            RunError: when the run cannot be reached any more.
        """
        with self._in_words():
            yield from self._replay.records(Wanted(after_seq=seq, by_seq=True))

    def last_seq(self) -> int:
        """The place of the newest record; 0 when there is none."""
        return int(next(iter(self._rows("SELECT coalesce(max(last_seq), 0) FROM blocks")))[0])

    def happenings(self) -> Iterator[Happened]:
        """What happened to the sources themselves, in the order it was put."""
        for name, t_ns, what, detail in self._rows(
            "SELECT s.name, h.t_ns, h.what, h.detail FROM happenings h JOIN sources s"
            " ON s.id = h.source_id ORDER BY h.seq"
        ):
            yield Happened(from_sql(name), t_ns, what, from_sql(detail))

    def losses(self) -> list[Loss]:
        """What is known not to be stored, in the order it was told."""
        return [
            Loss(from_sql(name), *rest)
            for name, *rest in self._rows(
                "SELECT s.name, l.from_ns, l.until_ns, l.records, l.bytes, l.why FROM losses l"
                " JOIN sources s ON s.id = l.source_id ORDER BY l.id"
            )
        ]

    def findings(self) -> list[Raised]:
        """Findings as they were raised while recording."""
        return list(self._findings().values())

    def marks(self) -> list[Mark]:
        """Marks in the order they were made."""
        findings = self._findings()
        return [
            Mark(from_ns, until_ns, from_sql(kind), from_sql(text), findings.get(finding))
            for from_ns, until_ns, kind, text, finding in self._rows(
                "SELECT from_ns, until_ns, kind, text, finding_id FROM marks ORDER BY id"
            )
        ]

    def counts(self, from_ns: int | None = None, until_ns: int | None = None) -> Counts:
        """What came when, for a ribbon over the run.

        Args:
            from_ns: in whose bucket to begin.
            until_ns: before whose bucket, or in it, to end.
        """
        begin = Wanted().from_ns if from_ns is None else from_ns // BUCKET_NS * BUCKET_NS
        end = Wanted().until_ns - 1 if until_ns is None else until_ns
        ids = [row[0] for row in self._rows("SELECT id FROM sources ORDER BY id")]
        rows = self._rows(
            "SELECT bucket_ns, source_id, records, bytes, troubles FROM counts"
            " WHERE bucket_ns >= ? AND bucket_ns < ? ORDER BY bucket_ns, source_id",
            begin,
            end,
        )
        table = np.array(rows, np.int64).reshape(-1, 5)
        names = tuple(source.name for source in self.sources())[: len(ids)]
        where = np.searchsorted(np.array(ids, np.int64), table[:, 1])
        return Counts(BUCKET_NS, names, table[:, 0], where, table[:, 2], table[:, 3], table[:, 4])

    def _findings(self) -> dict[int, Raised]:
        return {
            key: Raised(raised_ns, t_ns, *map(from_sql, words))
            for key, raised_ns, t_ns, *words in self._rows(
                "SELECT id, raised_ns, t_ns, rule, severity, party, source, summary, evidence"
                " FROM findings ORDER BY id"
            )
        }

    def _source_id(self, name: str) -> int:
        for key, stored in self._rows("SELECT id, name FROM sources"):
            if from_sql(stored) == name:
                return int(key)
        known = ", ".join(source.name for source in self.sources())
        raise ValueError(f"the run has no source {name!r}; it has: {known}")

    def _rows(self, query: str, *asked: int) -> list[Any]:
        with self._in_words():
            return self._connection.execute(query, asked).fetchall()

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise in_words(error, self.path) from error

    def _opened(self) -> sqlite3.Connection:
        """A connection; to a file that was cut short too."""
        if not self.path.exists():
            raise RunError(
                "there is no run here",
                place=Place(str(self.path.parent)),
                mend="Give the folder that `lastack record` was told to record into.",
            )
        with self._in_words():
            try:
                return open_to_read(self.path)
            except sqlite3.DatabaseError as error:
                if not is_damage(error) or error.sqlite_errorname == "SQLITE_NOTADB":
                    raise
                self.problems += (
                    RunError(
                        "the file was cut short or is damaged",
                        place=Place(str(self.path)),
                        mend="What can be read is shown; copy it again for the rest.",
                    ),
                )
                return open_to_read(self.path, salvage=True)


_NAME = "SELECT value FROM meta WHERE key = 'bench'"
