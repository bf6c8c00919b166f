from __future__ import annotations

from pathlib import Path

from console.pipeline.recording_captures import CaptureKeeper, free_name
from console.sources.records import Happened, HostClock, Record


def keeper(folder: Path) -> tuple[CaptureKeeper, list[Record]]:
    put: list[Record] = []
    return CaptureKeeper(folder, put.append, HostClock(lambda: 7, lambda: 7)), put


def test_a_capture_is_copied_whole_into_the_folder_of_its_source(tmp_path: Path) -> None:
    capture = tmp_path / "wire.csv"
    capture.write_bytes(b"time,scl\n0,1\n")
    keep, put = keeper(tmp_path / "run")
    keep.keep("wire", capture)
    folder = tmp_path / "run" / "captures" / "wire"
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {
        "wire.csv": b"time,scl\n0,1\n"
    }
    assert put == []


def test_another_capture_of_that_name_stands_beside_the_first(tmp_path: Path) -> None:
    capture = tmp_path / "wire.csv.gz"
    keep, _ = keeper(tmp_path / "run")
    for content in (b"first", b"second", b"third"):
        capture.write_bytes(content)
        keep.keep("wire", capture)
    folder = tmp_path / "run" / "captures" / "wire"
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {
        "wire.csv.gz": b"first", "wire-2.csv.gz": b"second", "wire-3.csv.gz": b"third",
    }  # fmt: skip


def test_a_name_can_lead_nowhere_else(tmp_path: Path) -> None:
    capture = tmp_path / "wire.csv"
    capture.write_bytes(b"x")
    keep, _ = keeper(tmp_path / "run")
    keep.keep("../../odd name", capture)
    kept = [path.relative_to(tmp_path) for path in tmp_path.rglob("*.csv")]
    assert sorted(kept) == [Path("run/captures/_.._odd_name/wire.csv"), Path("wire.csv")]


def test_what_cannot_be_copied_is_told_as_lost_in_the_run(tmp_path: Path) -> None:
    keep, put = keeper(tmp_path / "run")
    keep.keep("wire", tmp_path / "gone.csv")
    (told,) = put
    assert isinstance(told, Happened)
    assert (told.source, told.what, told.t_ns) == ("wire", "lost", 7)
    assert told.detail.endswith("gone.csv was not copied into the run: No such file or directory")


def test_a_free_name_keeps_every_ending(tmp_path: Path) -> None:
    (tmp_path / "a.tar.gz").touch()
    assert free_name(tmp_path, "a.tar.gz") == tmp_path / "a-2.tar.gz"
    assert free_name(tmp_path, "b") == tmp_path / "b"
