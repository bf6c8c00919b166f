from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.run.schema import DATABASE
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Chunk, Happened, Record
from tests.console.run.making import HOUR_NS, START_NS, altered, by_time, lines, mixed, stored


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


def test_a_replay_does_not_keep_the_recorders_log_from_being_emptied(tmp_path: Path) -> None:
    stored(tmp_path, *[[record] for record in lines(200)])
    with StoredRun(tmp_path) as run:
        replay = run.records()
        next(replay)
        connection = sqlite3.connect(tmp_path / DATABASE, isolation_level=None)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("INSERT INTO meta VALUES ('x', 1)")
        # https://www.sqlite.org/pragma.html#pragma_wal_checkpoint: 0 unless a reader was in the way
        emptied = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        connection.close()
        assert emptied == (0, 0, 0)
        assert len(list(replay)) == 199


def test_records_of_overlapping_blocks_come_by_time_and_as_put_where_stamps_are_equal(
    tmp_path: Path,
) -> None:
    put: list[Record] = [
        Chunk(source, START_NS + t, b"%d" % t)
        for t in (0, 5, 5, 9, 3)
        for source in ("hopper", "controller")
    ]
    stored(tmp_path, put[:3], put[3:7], put[7:])
    with StoredRun(tmp_path) as run:
        assert list(run.records()) == by_time(put)
        assert [seq for seq, _ in run.records_after(4)] == [5, 6, 7, 8, 9, 10]
