from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from console.run.errors import RunError
from console.run.schema import DATABASE
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from tests.console.run.making import altered, lines, mixed, stored


@pytest.mark.parametrize("query", ["CREATE TABLE other (x)", "PRAGMA user_version = 5"])
def test_another_programs_database_is_told(tmp_path: Path, query: str) -> None:
    connection = sqlite3.connect(tmp_path / DATABASE)
    connection.execute(query)
    connection.close()
    with pytest.raises(RunError, match="another program"):
        StoredRun(tmp_path)


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
