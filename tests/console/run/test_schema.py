from __future__ import annotations

import sqlite3
import subprocess
import sys
import zlib
from pathlib import Path

import msgspec
import pytest

from console.run.schema import APPLICATION_ID, DATABASE, SCHEMA, create, database_of, is_run
from console.run.writer import RunWriter
from tests.console.run.making import lines


def test_a_run_is_told_by_its_content(tmp_path: Path) -> None:
    RunWriter(tmp_path).close()
    assert is_run(tmp_path)
    assert is_run(tmp_path / DATABASE)
    other = tmp_path / "other"
    other.mkdir()
    assert not is_run(other)
    assert not is_run(tmp_path / "nowhere")
    sqlite3.connect(other / DATABASE).execute("CREATE TABLE x (y)").connection.close()
    assert not is_run(other)


def test_a_folder_with_the_databases_name_is_a_folder(tmp_path: Path) -> None:
    folder = tmp_path / DATABASE
    folder.mkdir()
    assert database_of(folder) == folder / DATABASE


def test_the_file_carries_its_owner_and_version(tmp_path: Path) -> None:
    create(tmp_path / DATABASE)
    connection = sqlite3.connect(tmp_path / DATABASE)
    assert connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
    assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA,)
    connection.close()


def test_nothing_is_left_where_a_run_cannot_be_made(tmp_path: Path) -> None:
    with pytest.raises(sqlite3.Error):
        create(tmp_path / "nowhere" / DATABASE)
    assert list(tmp_path.iterdir()) == []


def test_another_program_reads_it_while_it_is_recorded(tmp_path: Path) -> None:
    code = (
        "import sqlite3, sys\n"
        "rows = sqlite3.connect(f'file:{sys.argv[1]}?mode=ro', uri=True).execute('SELECT s.name,"
        " b.records, b.bytes, b.data FROM blocks b JOIN sources s ON s.id = b.source_id')\n"
        "for name, records, size, data in rows: print(name, records, size, data.hex())"
    )
    with RunWriter(tmp_path) as writer:
        for record in lines(3):
            writer.put(record)
        writer.flush()
        command = [sys.executable, "-c", code, str(tmp_path / DATABASE)]
        said = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
        writer.put(lines(4)[3])  # and goes on
    name, records, size, data = said
    assert (name, records, int(size)) == ("controller", "3", sum(len(r.data) for r in lines(3)))
    # As the schema's text says: MessagePack arrays end to end.
    assert msgspec.msgpack.decode(b"\x93" + bytes.fromhex(data)) == [
        [record.t_ns, seq, 0, record.data] for seq, record in enumerate(lines(3), 1)
    ]


def test_checksums_are_those_of_the_schemas_text(tmp_path: Path) -> None:
    with RunWriter(tmp_path) as writer:
        writer.put(lines(1)[0])
    connection = sqlite3.connect(tmp_path / DATABASE)
    ((stated, data),) = connection.execute("SELECT crc32, data FROM blocks").fetchall()
    connection.close()
    assert stated == zlib.crc32(data)


def test_the_run_says_how_to_read_it(tmp_path: Path) -> None:
    RunWriter(tmp_path, name="cap line").close()
    connection = sqlite3.connect(tmp_path / DATABASE)
    facts = dict(connection.execute("SELECT key, value FROM meta"))
    connection.close()
    assert facts["bench"] == "cap line"
    assert "MessagePack arrays end to end" in facts["about"]


def test_a_closed_run_is_one_file_that_opens_where_nothing_can_be_written(tmp_path: Path) -> None:
    RunWriter(tmp_path).close()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["recorder.lock", DATABASE]
    # https://www.sqlite.org/fileformat.html section 1.3.3: 1 is the rollback journal, 2 the log.
    assert (tmp_path / DATABASE).read_bytes()[18:20] == b"\x01\x01"
