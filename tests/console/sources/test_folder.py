"""Captures exported into a watched folder join when they are complete."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from console.bench.model import CaptureSource
from console.sources import folder as folder_module
from console.sources.files import FileError
from console.sources.folder import FolderSource, FolderWatch
from console.sources.records import HostClock, Record
from tests.console.sources.live import WAIT_S, Records

SECOND = 1_000_000_000


class Bench:
    """A watch on a folder whose clock stands until it is set on."""

    def __init__(self, folder: Path, **settings: object) -> None:
        self.now_ns = 0
        self.folder = folder
        self.records = Records()
        self.handed: list[Path] = []
        told = {"name": "wire", "folder": str(folder), "pattern": "*.csv"} | settings
        clock = HostClock(lambda: 0, lambda: self.now_ns)
        source = CaptureSource(**told)  # type: ignore[arg-type]
        self.watch = FolderWatch(source, self.records.put, clock, self.handed.append)

    def look(self, after_s: float = 0.0) -> list[str]:
        """Look after some seconds; the names handed over so far."""
        self.now_ns += round(after_s * SECOND)
        self.watch.look()
        return [path.name for path in self.handed]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    made = Bench(tmp_path)
    made.look()
    return made


def test_a_complete_file_is_told_and_handed_over(bench: Bench) -> None:
    (bench.folder / "a.csv").write_bytes(b"time,scl,sda\n")
    assert (bench.look(0.5), bench.look(1.9), bench.look(0.2)) == ([], [], ["a.csv"])
    assert bench.handed == [bench.folder / "a.csv"]
    assert bench.records.details("note") == [str(bench.folder / "a.csv")]


def test_a_file_that_is_still_written_is_not_handed_over(bench: Bench) -> None:
    with (bench.folder / "a.csv").open("wb") as file:
        for _ in range(5):
            file.write(b"0.1,1,1\n")
            file.flush()
            assert bench.look(1.5) == []
    assert (bench.look(1.9), bench.look(0.2)) == ([], ["a.csv"])


def test_a_file_renamed_into_place_is_handed_over_at_once(bench: Bench) -> None:
    (bench.folder / "a.csv.part").write_bytes(b"time,scl,sda\n")
    bench.look(0.5)
    (bench.folder / "a.csv.part").rename(bench.folder / "a.csv")
    assert bench.look(0.5) == ["a.csv"]


def test_a_replaced_file_is_handed_over_anew(bench: Bench) -> None:
    (bench.folder / "a.csv").write_bytes(b"first\n")
    bench.look()
    bench.look(2)
    (bench.folder / "new").write_bytes(b"the second\n")
    (bench.folder / "new").replace(bench.folder / "a.csv")
    bench.look(0.1)
    assert bench.look(2.1) == ["a.csv", "a.csv"]
    assert bench.records.details("note")[1].endswith("a.csv (in place of the one before)")


def test_a_file_deleted_meanwhile_is_told(bench: Bench) -> None:
    (bench.folder / "a.csv").write_bytes(b"first\n")
    bench.look()
    (bench.folder / "a.csv").unlink()
    assert bench.look(5) == []
    assert bench.records.details("note") == [
        f"{bench.folder / 'a.csv'} is gone before it was complete"
    ]


def test_folders_pipes_and_broken_links_are_left_alone(bench: Bench) -> None:
    (bench.folder / "sub.csv").mkdir()
    os.mkfifo(bench.folder / "pipe.csv")
    (bench.folder / "link.csv").symlink_to(bench.folder / "nothing")
    bench.look()
    assert bench.look(5) == []


def test_a_link_to_a_file_counts_as_the_file(bench: Bench, tmp_path_factory: pytest.TempPathFactory
) -> None:  # fmt: skip
    target = tmp_path_factory.mktemp("elsewhere") / "a"
    target.write_bytes(b"time\n")
    (bench.folder / "link.csv").symlink_to(target)
    bench.look()
    assert bench.look(2) == ["link.csv"]


def test_what_was_there_before_does_not_join(tmp_path: Path) -> None:
    (tmp_path / "old.csv").write_bytes(b"time\n")
    bench = Bench(tmp_path)
    bench.look()
    assert bench.look(100) == []


def test_what_a_folder_holds_that_appears_later_joins(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "exports")
    bench.look()
    (tmp_path / "exports").mkdir()
    (tmp_path / "exports" / "a.csv").write_bytes(b"time\n")
    bench.look(1)
    assert bench.look(2) == ["a.csv"]
    assert bench.records.happened() == ["refused", "retry", "opened", "note"]


def test_a_folder_that_goes_away_and_comes_back_brings_nothing_twice(bench: Bench) -> None:
    aside = bench.folder.with_name("aside")
    (bench.folder / "a.csv").write_bytes(b"time\n")
    bench.look()
    bench.look(2)
    bench.folder.rename(aside)
    bench.look(1)
    bench.look(1)
    why = bench.watch.why
    aside.rename(bench.folder)
    bench.look(1)
    assert bench.look(5) == ["a.csv"]
    assert why.startswith("no such folder: ")
    assert bench.records.happened() == ["opened", "note", "closed", "retry", "opened"]


def test_a_folder_that_must_be_there_is_not_looked_at_again(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "exports", required=True)
    bench.look()
    assert (bench.watch.state, bench.records.happened()) == ("failed", ["refused"])


def test_a_file_in_place_of_the_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "exports").write_bytes(b"")
    bench = Bench(tmp_path / "exports")
    bench.look()
    assert bench.watch.why == f"{tmp_path / 'exports'} is a file. Name the folder it is in."


def denied(path: Path) -> None:
    raise FileError("it may not be read", mend="Give yourself permission.")


# Root may read everything, so the refusal is stood in for.
def test_a_file_that_may_not_be_read_is_told_once_and_joins_when_it_may(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    (bench.folder / "a.csv").write_bytes(b"time\n")
    bench.look()
    with monkeypatch.context() as patched:
        patched.setattr(folder_module, "SourceFile", denied)
        assert (bench.look(2), bench.look(2), bench.look(2)) == ([], [], [])
    assert bench.look(2) == ["a.csv"]
    assert [detail.rpartition("/")[2] for detail in bench.records.details("note")] == [
        "a.csv: it may not be read. Give yourself permission.",
        "a.csv",
    ]


def test_names_that_are_no_utf8_are_told_as_text_that_can_be_stored(bench: Bench) -> None:
    (bench.folder / os.fsdecode(b"cap\xff.csv")).write_bytes(b"time\n")
    bench.look()
    bench.look(2)
    (note,) = bench.records.details("note")
    assert note.encode("utf-8").endswith(b"cap\\xff.csv")


def running(folder: Path, records: Records, hand_over: Callable[[Path], None]) -> FolderSource:
    source = FolderSource(CaptureSource(name="wire", folder=str(folder), still="20ms"), hand_over)
    source.start(records.put, HostClock())
    return source


def test_a_source_watches_in_a_thread_of_its_own(tmp_path: Path) -> None:
    records, handed, came = Records(), list[Path](), threading.Event()

    def hand_over(path: Path) -> None:
        handed.append(path)
        came.set()

    source = running(tmp_path, records, hand_over)
    records.wait_for("opened")
    (tmp_path / "a.csv.part").write_bytes(b"time\n")
    (tmp_path / "a.csv.part").rename(tmp_path / "a.csv")
    assert came.wait(WAIT_S)
    source.stop()
    state = source.state()
    assert handed == [tmp_path / "a.csv"]
    assert (state.state, state.records, state.bytes) == ("closed", 1, 5)
    assert records.happened() == ["opened", "note", "closed"]


def test_a_fault_of_what_takes_the_path_is_told(tmp_path: Path) -> None:
    records, ended = Records(), threading.Event()

    def broken(path: Path) -> None:
        raise RuntimeError("no room for captures")

    before, threading.excepthook = threading.excepthook, lambda args: ended.set()
    try:
        source = running(tmp_path, records, broken)
        records.wait_for("opened")
        (tmp_path / "a.csv").write_bytes(b"time\n")
        assert ended.wait(WAIT_S)
    finally:
        threading.excepthook = before
    assert source.state().state == "failed"
    assert "no room for captures" in source.state().why


def test_a_source_is_started_once(tmp_path: Path) -> None:
    source = running(tmp_path, Records(), lambda path: None)
    with pytest.raises(RuntimeError, match="was started before"):
        source.start(nothing, HostClock())
    source.stop()


def nothing(record: Record) -> None:
    """Takes a record."""


def test_a_source_without_a_folder_is_refused() -> None:
    with pytest.raises(ValueError, match="has no folder"):
        FolderSource(CaptureSource(name="wire", path="wire.csv"), lambda path: None)
