"""Trouble with the disk, for real: limits and permissions of a process of its own."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from console.run.stored import StoredRun
from console.sources.records import Chunk, Happened
from tests.console.run.making import child, lines
from tests.console.run.troubled import RECORDS

ROOMY = str(1 << 30)


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that other users reach, which pytest's own is not."""
    made = Path(tempfile.mkdtemp())
    yield made
    shutil.rmtree(made)


def said(what: str, folder: Path, limit_bytes: str) -> list[str]:
    output, _ = child("troubled", what, str(folder), limit_bytes).communicate(timeout=60)
    return output.splitlines()


def test_a_full_disk_is_told_and_nothing_held_is_lost(folder: Path) -> None:
    lines_said = said("no_room_for_files", folder, ROOMY)
    assert lines_said == ["told the disk refuses", "lost 0", "told mended"]
    with StoredRun(folder, full=True) as run:
        assert run.problems == ()
        assert list(run.records()) == lines(RECORDS)
        assert run.losses() == []


def test_what_cannot_be_held_is_counted_and_told_in_its_place(folder: Path) -> None:
    lines_said = said("no_room_for_files", folder, str(1 << 20))
    assert (lines_said[0], lines_said[2]) == ("told the disk refuses", "told mended")
    lost = int(lines_said[1].split()[1])
    with StoredRun(folder, full=True) as run:
        assert run.problems == ()
        found = list(run.records())
        (loss,) = run.losses()
        (source,) = run.sources()
    kept = RECORDS - lost
    assert 2000 <= kept < RECORDS
    assert found[:kept] == lines(RECORDS)[:kept]
    (told,) = found[kept:]
    assert isinstance(told, Happened)
    assert (told.what, told.t_ns) == ("lost", lines(RECORDS)[-1].t_ns)
    assert told.detail.startswith(f"{lost} records with ")
    assert "the disk refuses" in told.detail
    assert (loss.records, loss.from_ns, loss.until_ns) == (
        lost, lines(RECORDS)[kept].t_ns, told.t_ns,
    )  # fmt: skip
    assert loss.bytes == sum(len(line.data) for line in lines(RECORDS)[kept:])
    assert source.lost == lost


def test_closing_while_the_disk_is_full_says_what_is_not_stored(folder: Path) -> None:
    lines_said = said("no_room_to_the_end", folder, ROOMY)
    assert lines_said[-1].startswith("closed 50 records at the end could not be stored: the disk")
    with StoredRun(folder, full=True) as run:
        assert run.problems == ()
        assert list(run.records()) == lines(1)
        assert [session.ended_ns for session in run.sessions()] == [None]


def test_lost_permission_is_told_and_what_came_meanwhile_is_stored(folder: Path) -> None:
    assert said("no_permission", folder, ROOMY) == ["told permission is denied", "told mended"]
    with StoredRun(folder, full=True) as run:
        assert run.problems == ()
        found = list(run.records())
    assert found == lines(300)
    assert all(isinstance(record, Chunk) for record in found)
