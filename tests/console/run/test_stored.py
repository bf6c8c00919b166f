from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from console.run.errors import RunError
from console.run.schema import BUCKET_NS, DATABASE
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Arrived, Chunk, Happened, Record
from tests.console.run.making import START_NS, lines, mixed, stored


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
