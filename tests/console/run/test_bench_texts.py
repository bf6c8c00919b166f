from __future__ import annotations

from pathlib import Path

import pytest

from console.bench.load import read_bench
from console.run.bench_texts import bench_of, texts_of
from console.run.rows import Text
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from decoders.errors import DescriptionError
from tests.console.run.making import ROOT

DEMO = ROOT / "captures_demo" / "cap_line" / "bench.toml"


def test_a_bench_comes_out_of_a_run_as_it_was_read_from_its_files(tmp_path: Path) -> None:
    texts = texts_of(DEMO)
    RunWriter(tmp_path, texts=texts).close()
    with StoredRun(tmp_path) as run:
        assert run.texts() == texts
        again = bench_of(run.texts(), DEMO.parent)
    read = read_bench(DEMO)
    assert again is not None
    assert again.bench == read.bench
    assert list(again.packets) == list(read.packets)


def test_files_are_kept_under_the_names_the_bench_file_has_for_them() -> None:
    assert [(text.role, text.name) for text in texts_of(DEMO)] == [
        ("bench", "bench.toml"),
        ("packets", "camera.packets.toml"),
    ]


def test_a_later_session_keeps_only_what_changed(tmp_path: Path) -> None:
    old = [Text("bench", "bench.toml", b"[bench]\n"), Text("packets", "a.toml", b"one")]
    new = [old[0], Text("packets", "a.toml", b"two")]
    for texts in (old, old, new):
        RunWriter(tmp_path, texts=texts, append=True).close()
    with StoredRun(tmp_path) as run:
        assert run.texts() == new
        stored = run._rows("SELECT session_id, content FROM texts ORDER BY id")
    assert stored == [(1, b"[bench]\n"), (1, b"one"), (3, b"two")]


def test_a_packet_file_that_is_missing_is_told_with_its_line() -> None:
    texts = [text for text in texts_of(DEMO) if text.role == "bench"]
    with pytest.raises(DescriptionError, match="the run holds no such file") as told:
        bench_of(texts, Path("run"))
    line = DEMO.read_text("utf-8").splitlines().index('packets = "camera.packets.toml"') + 1
    assert told.value.place is not None
    assert told.value.place.line == line


def test_without_a_bench_file_there_is_no_bench() -> None:
    assert bench_of([], Path()) is None
