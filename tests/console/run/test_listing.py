from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest

from console.run.schema import DATABASE
from console.run.stored import StoredRun
from console.sources.records import Chunk, Happened
from tests.console.run.making import START_NS, mixed, stored


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


def test_blocks_are_found_without_the_indexes(tmp_path: Path) -> None:
    put = stored(tmp_path, *[[record] for record in mixed(300)])
    connection = sqlite3.connect(tmp_path / DATABASE)
    roots = connection.execute(
        "SELECT rootpage FROM sqlite_schema WHERE name LIKE 'blocks_by%'"
    ).fetchall()
    connection.close()
    with (tmp_path / DATABASE).open("r+b") as file:
        for (page,) in roots:
            file.seek(4096 * (page - 1))
            file.write(os.urandom(4096))
    with StoredRun(tmp_path, full=True) as run:
        assert run.problems
        assert list(run.records()) == put
        assert list(run.records_after()) == list(enumerate(put, 1))
