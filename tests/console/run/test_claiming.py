from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from console.run.claiming import claimed
from console.run.errors import RunError
from console.run.schema import DATABASE
from console.run.writer import RunWriter
from tests.console.run.making import ROOT


def test_two_recorders_on_one_run_are_refused_with_who_has_it(tmp_path: Path) -> None:
    with RunWriter(tmp_path), pytest.raises(RunError, match="another recorder") as told:
        RunWriter(tmp_path, append=True)
    assert f"process {os.getpid()} on " in told.value.message
    assert "another folder" in told.value.mend


def test_a_recorder_of_another_process_is_refused_too(tmp_path: Path) -> None:
    code = (
        "import sys\nfrom console.run.errors import RunError\n"
        "from console.run.writer import RunWriter\n"
        "try: RunWriter(sys.argv[1], append=True).close()\n"
        "except RunError as error: print(error.message)\nelse: print('recorded')"
    )
    command = [sys.executable, "-c", code, str(tmp_path)]

    def other() -> str:
        return subprocess.run(
            command, capture_output=True, text=True, check=True, cwd=ROOT
        ).stdout.strip()

    with RunWriter(tmp_path):
        refused = other()
    assert refused.startswith(f"another recorder is at it: process {os.getpid()} on ")
    assert other() == "recorded"


def test_a_refused_recorder_leaves_the_lock_to_others(tmp_path: Path) -> None:
    RunWriter(tmp_path).close()
    for _ in range(2):
        with pytest.raises(RunError, match="already"):
            RunWriter(tmp_path)
    RunWriter(tmp_path, append=True).close()


def test_a_file_where_the_folder_should_be_is_told(tmp_path: Path) -> None:
    (tmp_path / "run").write_text("x")
    with pytest.raises(RunError, match="there is a file where the run's folder should be"):
        RunWriter(tmp_path / "run")


def test_another_programs_database_is_not_written_into(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / DATABASE)
    connection.execute("CREATE TABLE other (x)")
    connection.close()
    before = (tmp_path / DATABASE).read_bytes()
    with pytest.raises(RunError, match="another program"):
        RunWriter(tmp_path, append=True)
    assert (tmp_path / DATABASE).read_bytes() == before


def test_a_text_file_in_its_place_is_not_written_into(tmp_path: Path) -> None:
    (tmp_path / DATABASE).write_text("cap line notes\n" * 100)
    with pytest.raises(RunError, match="damaged or no run"):
        RunWriter(tmp_path, append=True)
    assert (tmp_path / DATABASE).read_text().startswith("cap line notes")


def test_folders_above_are_made(tmp_path: Path) -> None:
    path, lock = claimed(tmp_path / "a" / "b", append=False)
    lock.release()
    assert path.exists()
