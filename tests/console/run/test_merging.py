from __future__ import annotations

import sqlite3
from pathlib import Path

from console.run.merging import ROUND_NS
from console.run.schema import DATABASE
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Chunk, Record
from tests.console.run.making import START_NS, by_time

EVERY_NS = 60_000_000_000
NOISE = bytes(range(256)) * 300  # too large to be joined


def record_hours(folder: Path, hours: int, payload: bytes = b"level 411 mm\n") -> list[Record]:
    """A record a minute of each of two ports, every one in a commit of its own."""
    put: list[Record] = []
    with RunWriter(folder, append=True, durable=False) as writer:
        for minute in range(60 * hours):
            for source in ("controller", "hopper"):
                put.append(Chunk(source, START_NS + minute * EVERY_NS, payload))
                writer.put(put[-1])
            writer.flush()
    return put


def blocks(folder: Path) -> list[tuple[int, ...]]:
    connection = sqlite3.connect(folder / DATABASE)
    found = connection.execute("SELECT merged, records, id FROM blocks ORDER BY id").fetchall()
    connection.close()
    return found


def test_blocks_of_hours_gone_by_are_joined_and_those_of_this_hour_are_not(tmp_path: Path) -> None:
    put = record_hours(tmp_path, 3)
    found = blocks(tmp_path)
    joint = [records for merged, records, _ in found if merged]
    small = [records for merged, records, _ in found if not merged]
    assert len(put) == sum(joint) + sum(small) == 360
    assert min(joint) > 1
    assert set(small) == {1}
    assert 2 * 60 - 4 <= len(small) <= 2 * 60 + 8  # the hour that runs, and where it began
    with StoredRun(tmp_path, full=True) as run:
        assert run.problems == ()
        assert list(run.records()) == by_time(put)
        assert list(run.records_after()) == list(enumerate(put, 1))


def test_what_an_earlier_session_left_small_is_joined_by_the_next(tmp_path: Path) -> None:
    put = record_hours(tmp_path, 1)
    assert {merged for merged, _, _ in blocks(tmp_path)} == {0}
    with RunWriter(tmp_path, append=True) as writer:
        writer.flush()
    assert [(merged, records) for merged, records, _ in blocks(tmp_path)] == [(1, 60), (1, 60)]
    with StoredRun(tmp_path, full=True) as run:
        assert run.problems == ()
        assert list(run.records()) == by_time(put)


def test_ids_are_never_used_again(tmp_path: Path) -> None:
    record_hours(tmp_path, 1)
    highest = blocks(tmp_path)[-1][2]
    RunWriter(tmp_path, append=True).close()
    joint = [block for _, _, block in blocks(tmp_path)]
    with RunWriter(tmp_path, append=True) as writer:
        writer.put(Chunk("controller", START_NS + ROUND_NS, b"x"))
    assert min(joint) > highest
    assert blocks(tmp_path)[-1][2] == max(joint) + 1


def test_large_blocks_stay_as_they_are(tmp_path: Path) -> None:
    with RunWriter(tmp_path, durable=False) as writer:
        for hour in range(3):
            writer.put(Chunk("controller", START_NS + hour * ROUND_NS, NOISE))
            writer.flush()
    assert [(merged, records) for merged, records, _ in blocks(tmp_path)] == [(0, 1)] * 3


def test_a_damaged_block_stays_by_itself(tmp_path: Path) -> None:
    put = record_hours(tmp_path, 1)
    connection = sqlite3.connect(tmp_path / DATABASE)
    connection.execute("UPDATE blocks SET data = x'00' WHERE id = 61")
    connection.commit()
    connection.close()
    RunWriter(tmp_path, append=True).close()
    assert [(merged, records) for merged, records, _ in blocks(tmp_path)] == [
        (0, 1), (1, 59), (1, 60),
    ]  # fmt: skip
    with StoredRun(tmp_path, full=True) as run:
        assert "block 61" in run.problems[0].message
        found = list(run.records())
    lost = put[60]
    assert [record for record in found if isinstance(record, Chunk)] == by_time(
        [record for record in put if record is not lost]
    )
