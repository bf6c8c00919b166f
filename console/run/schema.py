"""The database of a run: `RUN/run.sqlite`, schema 1.

An SQLite 3 database in WAL mode, so that other programs can read it while it is being recorded;
only the recorder writes. Its `application_id` is `APPLICATION_ID`, its `user_version` the schema.
Times are ns since 1970 on the host's clock, which never goes back within one session.

    meta        facts about the run: `bench` (its name), `about` (how to read blocks, for people)
    sessions    each start of recording. `wall_ns` and `monotonic_ns`: both clocks as it began;
                `offset_ns`: stamp = monotonic clock + this; `alive_ns`: everything put until then
                is here, moved on every second though nothing comes; `ended_ns`: NULL while it
                records, and for ever when it was killed; `first_seq`: its first record
    sources     each source, with totals; `lost`: records known not to be stored
    texts       the bench file and packet files, again for a later session where they changed
    blocks      neighbouring records of one source, see below
    happenings  what happened to sources themselves; the same records stand in blocks too
    losses      spans of a source of which records were not stored, and why
    marks       what somebody or something marked; `finding_id`: whose evidence it frames
    findings    as they were raised while recording, `raised_ns`; `evidence` is JSON
    counts      what a source gave in the `BUCKET_NS` that begin at `bucket_ns`

A block's `data` holds its records one after another, each a MessagePack array that begins `t_ns`,
`seq`, kind; then for kind 0 (bytes of a port) the bytes; for 1 (a message) topic, payload, QoS,
flags (1 retain, 2 duplicate) and, where it has any, the map of its properties; for 2 (a happening)
what and detail. Text that is not Unicode (a lone surrogate of an odd path) is a bin, or in a column
a BLOB, of UTF-8 with surrogates passed through. `packing` is 0 for that, 1 for that in a zlib
stream (RFC 1950); `crc32` (as of zlib) is over `data` as it stands. `seq` counts all records of the
run in the order they were put, so the order of two with one stamp is known. `bytes` counts data and
payloads.

Every commit makes a block of each source. When an hour has gone by, its small blocks are joined
into larger ones, which take new, higher ids; an id is never used again.

A change that an older program would read wrongly raises `SCHEMA`; a newer schema is refused.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

SCHEMA = 1
APPLICATION_ID = 0x4C535452  # "LSTR"
DATABASE = "run.sqlite"
BUCKET_NS = 10_000_000_000
PLAIN, ZLIB = 0, 1  # packings

ABOUT = (
    "blocks.data: MessagePack arrays end to end, (t_ns, seq, kind, ...); kind 0: bytes;"
    " 1: topic, payload, qos, flags (1 retain, 2 duplicate), properties; 2: what, detail."
    " packing 1: the same as a zlib stream. Times: ns since 1970. seq: order of arrival."
)

TABLES = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value) WITHOUT ROWID;
CREATE TABLE sessions (
  id INTEGER PRIMARY KEY, started_ns INTEGER NOT NULL, wall_ns INTEGER NOT NULL,
  monotonic_ns INTEGER NOT NULL, offset_ns INTEGER NOT NULL, alive_ns INTEGER NOT NULL,
  ended_ns INTEGER, program TEXT NOT NULL, python TEXT NOT NULL, sqlite TEXT NOT NULL,
  host TEXT NOT NULL, pid INTEGER NOT NULL, first_seq INTEGER NOT NULL);
CREATE TABLE sources (
  id INTEGER PRIMARY KEY, name UNIQUE NOT NULL, kind TEXT NOT NULL, place TEXT NOT NULL,
  records INTEGER NOT NULL DEFAULT 0, bytes INTEGER NOT NULL DEFAULT 0,
  lost INTEGER NOT NULL DEFAULT 0, first_ns INTEGER, last_ns INTEGER);
CREATE TABLE texts (
  id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES sessions, role TEXT NOT NULL,
  name NOT NULL, content BLOB NOT NULL);
CREATE TABLE blocks (
  id INTEGER PRIMARY KEY, source_id INTEGER NOT NULL REFERENCES sources,
  first_ns INTEGER NOT NULL, last_ns INTEGER NOT NULL,
  first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL,
  records INTEGER NOT NULL, bytes INTEGER NOT NULL, merged INTEGER NOT NULL,
  packing INTEGER NOT NULL, crc32 INTEGER NOT NULL, data BLOB NOT NULL);
CREATE INDEX blocks_by_time ON blocks (first_ns, last_ns, source_id, first_seq);
CREATE INDEX blocks_by_seq ON blocks (last_seq, first_seq, source_id, first_ns);
CREATE TABLE happenings (
  seq INTEGER PRIMARY KEY, source_id INTEGER NOT NULL REFERENCES sources, t_ns INTEGER NOT NULL,
  what TEXT NOT NULL, detail NOT NULL);
CREATE TABLE losses (
  id INTEGER PRIMARY KEY, source_id INTEGER NOT NULL REFERENCES sources,
  from_ns INTEGER NOT NULL, until_ns INTEGER NOT NULL, records INTEGER NOT NULL,
  bytes INTEGER NOT NULL, why TEXT NOT NULL);
CREATE TABLE marks (
  id INTEGER PRIMARY KEY, from_ns INTEGER NOT NULL, until_ns INTEGER NOT NULL,
  kind NOT NULL, text NOT NULL, finding_id INTEGER);
CREATE TABLE findings (
  id INTEGER PRIMARY KEY, raised_ns INTEGER NOT NULL, t_ns INTEGER NOT NULL, rule NOT NULL,
  severity NOT NULL, party NOT NULL, source NOT NULL, summary NOT NULL, evidence NOT NULL);
CREATE TABLE counts (
  bucket_ns INTEGER NOT NULL, source_id INTEGER NOT NULL, records INTEGER NOT NULL,
  bytes INTEGER NOT NULL, troubles INTEGER NOT NULL,
  PRIMARY KEY (bucket_ns, source_id)) WITHOUT ROWID;
"""

# A power cut must not lose more than a kill: every commit is on the disk when it returns.
_DURABLE = "FULL"
_WAL_KEPT_BYTES = 64 << 20  # a log that a long reader made grow is cut back to this
_BUSY_S = 1.0  # how long to wait for another program that has the database locked


def is_run(path: str | Path) -> bool:
    """Whether this is a run folder (or the database in one), told by content alone."""
    try:
        with database_of(path).open("rb") as file:
            head = file.read(100)
    except OSError:
        return False
    # https://www.sqlite.org/fileformat.html section 1.3: the application id is at offset 68.
    return head[:16] == b"SQLite format 3\0" and head[68:72] == APPLICATION_ID.to_bytes(4, "big")


def database_of(path: str | Path) -> Path:
    """The database of a run, given its folder or the database itself."""
    place = Path(path)
    return place if place.name == DATABASE and not place.is_dir() else place / DATABASE


def create(path: Path) -> None:
    """Make an empty run; when it fails half-way, nothing is left behind.

    Raises:
        sqlite3.Error, OSError: when it cannot be made.
    """
    new = path.with_name(path.name + ".new")
    new.unlink(missing_ok=True)
    connection = sqlite3.connect(new, isolation_level=None)
    try:
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {SCHEMA}")
        connection.executescript(f"BEGIN; {TABLES} COMMIT;")
    except sqlite3.Error:
        connection.close()
        new.unlink(missing_ok=True)
        raise
    connection.close()
    new.rename(path)


def open_to_write(path: Path, *, durable: bool = True) -> sqlite3.Connection:
    """The recorder's own connection; transactions are begun and ended by hand.

    Raises:
        sqlite3.Error: when it cannot be opened; a missing file is not made.
    """
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=rw",
        uri=True,
        isolation_level=None,
        timeout=_BUSY_S,
        check_same_thread=False,  # made where errors can be raised, used by the writer's thread
    )
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(f"PRAGMA synchronous = {_DURABLE if durable else 'NORMAL'}")
        connection.execute("PRAGMA secure_delete = OFF")  # joined blocks need no wiping
        connection.execute(f"PRAGMA journal_size_limit = {_WAL_KEPT_BYTES}")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def open_to_read(path: Path, *, salvage: bool = False) -> sqlite3.Connection:
    """A connection that writes nothing into the database, whoever else has it open.

    Args:
        path: of the database.
        salvage: open one that was cut short too; reading what is not there is an error later.

    Raises:
        sqlite3.Error: when it cannot be opened.
    """
    address = f"{path.absolute().as_uri()}?mode=ro"
    try:
        return _reading(address, salvage)
    except sqlite3.OperationalError:
        # On a medium that cannot be written there is no place for the index of the log; where
        # there is no log either, none is needed (https://www.sqlite.org/wal.html section 8).
        log = path.with_name(path.name + "-wal")
        if not path.exists() or (log.exists() and log.stat().st_size):
            raise
        return _reading(address + "&immutable=1", salvage)


def _reading(address: str, salvage: bool) -> sqlite3.Connection:
    connection = sqlite3.connect(
        address, uri=True, isolation_level=None, timeout=_BUSY_S, check_same_thread=False
    )
    try:
        if salvage:  # only so is a file opened that has fewer pages than its header says
            connection.execute("PRAGMA writable_schema = ON")
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.Error:
        connection.close()
        raise
    return connection
