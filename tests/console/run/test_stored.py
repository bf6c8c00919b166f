from __future__ import annotations

import os
import shutil
import sqlite3
import threading
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.run.errors import RunError
from console.run.schema import BUCKET_NS, DATABASE
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Arrived, Chunk, Happened, Record
from tests.console.run.making import HOUR_NS, START_NS, by_time, lines


def stored(folder: Path, *groups: Sequence[Record]) -> list[Record]:
    """Record groups, a commit each."""
    with RunWriter(folder, append=True, durable=False) as writer:
        for group in groups:
            for record in group:
                writer.put(record)
            writer.flush()
    return [record for group in groups for record in group]


def mixed(count: int) -> list[Record]:
    return [
        Chunk("controller", START_NS + k * 1000, b"%d" % k)
        if k % 3
        else Arrived("broker", START_NS + k * 1000, "cap/x", b"%d" % k)
        for k in range(count)
    ]


@settings(max_examples=100, deadline=None)
@given(st.integers(-2, 32), st.integers(-2, 32), st.sampled_from([None, "controller", "broker"]))
def test_a_span_and_a_source_are_cut_out_exactly(
    tmp_path_factory: pytest.TempPathFactory, begin: int, end: int, source: str | None
) -> None:
    folder = tmp_path_factory.getbasetemp() / "cut"
    if not folder.exists():
        stored(folder, *[mixed(30)[k : k + 7] for k in range(0, 30, 7)])
    from_ns, until_ns = START_NS + begin * 1000, START_NS + end * 1000
    with StoredRun(folder) as run:
        found = list(run.records(source, from_ns, until_ns))
    assert found == [
        record
        for record in mixed(30)
        if from_ns <= record.t_ns < until_ns and source in (None, record.source)
    ]


def test_a_recording_is_followed_while_small_blocks_are_joined(tmp_path: Path) -> None:
    put = lines(4000, every_ns=HOUR_NS // 100)
    followed: list[tuple[int, Record]] = []
    with RunWriter(tmp_path, durable=False) as writer, StoredRun(tmp_path) as run:

        def record() -> None:
            for chunk in put:
                writer.put(chunk)
                if chunk.t_ns // HOUR_NS % 2:
                    writer.flush()

        thread = threading.Thread(target=record)
        thread.start()
        while thread.is_alive() or writer.queued or len(followed) < writer.stored:
            followed += run.records_after(followed[-1][0] if followed else 0)
    assert followed == list(enumerate(put, 1))


def test_a_replay_that_is_under_way_outlives_the_joining_of_its_blocks(tmp_path: Path) -> None:
    put: list[Record] = [*lines(200), *lines(200, "hopper")]
    stored(tmp_path, *[[record] for record in put])
    with StoredRun(tmp_path) as run:
        replay = run.records()
        found = [next(replay) for _ in range(50)]
        with RunWriter(tmp_path, append=True) as writer:  # joins what the last session left
            writer.flush()
            found += replay
    assert found == by_time(put)


def test_counts_are_in_buckets_for_the_ribbon(tmp_path: Path) -> None:
    first = START_NS // BUCKET_NS * BUCKET_NS
    records: list[Record] = [
        Chunk("controller", first, b"ab"),
        Happened("controller", first + BUCKET_NS - 1, "framing"),
        Arrived("broker", first + BUCKET_NS, "t", b"12345"),
        Chunk("controller", first + 5 * BUCKET_NS, b""),
    ]
    stored(tmp_path, records[:2], records[2:])
    with StoredRun(tmp_path) as run:
        counts = run.counts()
        later = run.counts(first + BUCKET_NS + 7)
        early = run.counts(until_ns=first + BUCKET_NS)
    assert counts.sources == ("controller", "broker")
    np.testing.assert_array_equal(counts.bucket_ns, first + BUCKET_NS * np.array([0, 1, 5]))
    assert counts.source.tolist() == [0, 1, 0]
    assert counts.records.tolist() == [2, 1, 1]
    assert counts.bytes.tolist() == [2, 5, 0]
    assert counts.troubles.tolist() == [1, 0, 0]
    assert later.records.tolist() == [1, 1]
    assert early.records.tolist() == [2]


def test_happenings_are_there_without_the_rest(tmp_path: Path) -> None:
    told = [Happened("controller", START_NS, "opened", "\udcff"), Happened("b", 5, "lost", "x")]
    stored(tmp_path, [told[0], *lines(3), told[1]])
    with StoredRun(tmp_path) as run:
        assert list(run.happenings()) == told


def test_a_run_without_anything_opens(tmp_path: Path) -> None:
    stored(tmp_path)
    with StoredRun(tmp_path, full=True) as run:
        assert run.problems == ()
        assert list(run.records()) == []
        assert (run.sources(), run.last_seq()) == ([], 0)
        assert run.counts().records.tolist() == []


def test_an_unknown_source_is_a_value_error(tmp_path: Path) -> None:
    stored(tmp_path, [*lines(1)])
    with StoredRun(tmp_path) as run, pytest.raises(ValueError, match="it has: controller"):
        list(run.records("camera"))


def test_reading_writes_nothing_into_the_database(tmp_path: Path) -> None:
    stored(tmp_path, mixed(100))
    before = (tmp_path / DATABASE).read_bytes()
    with StoredRun(tmp_path, full=True) as run:
        assert len(list(run.records())) == 100
    assert (tmp_path / DATABASE).read_bytes() == before


def test_a_run_that_records_still_opens_on_a_medium_that_cannot_be_written(tmp_path: Path) -> None:
    # Cut short with its log emptied: still in WAL mode, and no place for the index of a log.
    with RunWriter(tmp_path / "run") as writer, StoredRun(tmp_path / "run"):
        for record in mixed(50):
            writer.put(record)
        writer.flush()
        writer.close()
        shutil.copytree(tmp_path / "run", tmp_path / "copy")
    path = tmp_path / "copy" / DATABASE
    for extra in ("-wal", "-shm"):
        path.with_name(path.name + extra).unlink(missing_ok=True)
    with StoredRun(path) as run:
        assert list(run.records()) == mixed(50)


def test_no_run_is_told(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="there is no run here") as told:
        StoredRun(tmp_path)
    assert told.value.place is not None
    assert told.value.place.name == str(tmp_path)


@pytest.mark.parametrize("content", [b"cap line notes\n" * 100, b"\0" * 4096])
def test_a_foreign_file_is_told(tmp_path: Path, content: bytes) -> None:
    (tmp_path / DATABASE).write_bytes(content)
    with pytest.raises(RunError, match="damaged or no run") as told:
        StoredRun(tmp_path)
    assert told.value.mend


@pytest.mark.parametrize("query", ["CREATE TABLE other (x)", "PRAGMA user_version = 5"])
def test_another_programs_database_is_told(tmp_path: Path, query: str) -> None:
    connection = sqlite3.connect(tmp_path / DATABASE)
    connection.execute(query)
    connection.close()
    with pytest.raises(RunError, match="another program"):
        StoredRun(tmp_path)


def altered(folder: Path, query: str) -> None:
    connection = sqlite3.connect(folder / DATABASE)
    connection.execute(query)
    connection.commit()
    connection.close()


def test_a_newer_schema_is_refused_with_the_version_to_get(tmp_path: Path) -> None:
    RunWriter(tmp_path, program="9.1").close()
    altered(tmp_path, "PRAGMA user_version = 2")
    with pytest.raises(RunError, match=r"newer version \(schema 2; known here: 1\)") as told:
        StoredRun(tmp_path)
    assert "9.1" in told.value.mend


def test_a_run_without_a_table_of_its_own_is_told(tmp_path: Path) -> None:
    stored(tmp_path, mixed(3))
    altered(tmp_path, "DROP TABLE losses")
    with pytest.raises(RunError, match="it lacks tables of a run: losses"):
        StoredRun(tmp_path)


def test_a_damaged_block_is_told_in_its_place_and_the_rest_is_read(tmp_path: Path) -> None:
    put = stored(tmp_path, *[[record] for record in lines(30)])
    altered(tmp_path, "UPDATE blocks SET data = x'9400' WHERE id = 12")
    with StoredRun(tmp_path, full=True) as run:
        assert [error.message for error in run.problems] == [
            "block 12 with 1 records: its checksum is wrong"
        ]
        found = list(run.records())
    detail = "block 12 cannot be read: its checksum is wrong"
    assert found == [*put[:11], Happened("controller", put[11].t_ns, "lost", detail), *put[12:]]


def test_damage_among_the_newest_is_told_without_a_full_check(tmp_path: Path) -> None:
    stored(tmp_path, *[[record] for record in lines(30)])
    altered(tmp_path, "UPDATE blocks SET crc32 = 0 WHERE id = 29")
    with StoredRun(tmp_path) as run:
        assert len(run.problems) == 1


def test_records_that_are_missing_are_told_by_a_full_check(tmp_path: Path) -> None:
    stored(tmp_path, *[[record] for record in lines(30)])
    altered(tmp_path, "DELETE FROM blocks WHERE id = 7")
    with StoredRun(tmp_path, full=True) as run:
        assert [error.message for error in run.problems] == [
            "a source had 30 records, 29 are there"
        ]


@pytest.mark.parametrize("kept", [0.4, 0.7, 0.95])
def test_of_a_file_that_was_cut_short_is_read_what_is_there(tmp_path: Path, kept: float) -> None:
    noise = os.urandom(1 << 16)
    put = [
        Chunk("controller", START_NS + k * 1000, noise[k * 97 : k * 97 + 3000]) for k in range(300)
    ]
    stored(tmp_path, *[[record] for record in put])
    path = tmp_path / DATABASE
    os.truncate(path, int(path.stat().st_size * kept) // 4096 * 4096)
    with StoredRun(tmp_path, full=True) as run:
        assert run.problems[0].message == "the file was cut short or is damaged"
        found = [record for record in run.records() if isinstance(record, Chunk)]
    assert found == [record for record in put if record in set(found)]  # in order, none changed
    assert len(found) > 0.8 * kept * len(put)


def test_garbage_in_the_middle_never_changes_a_record(tmp_path: Path) -> None:
    put = stored(tmp_path, *[[record] for record in mixed(600)])
    path = tmp_path / DATABASE
    content = bytearray(path.read_bytes())
    for page in range(8, len(content) // 4096, 7):
        content[4096 * page : 4096 * page + 4096] = os.urandom(4096)
    path.write_bytes(content)
    with StoredRun(tmp_path, full=True) as run:
        assert run.problems
        found = [record for record in run.records() if not isinstance(record, Happened)]
    assert [record for record in put if record in found] == found
    assert len(found) > 100
