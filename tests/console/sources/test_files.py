from __future__ import annotations

import gzip
import io
import os
import sys
import zlib
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.sources.files import FileError, SourceFile
from console.sources.inflate import Inflater

TEXT = b"".join(b"[%d] level %d cm\n" % (k * 37, k * k % 97) for k in range(5000))


def unzipped(raw: bytes, block_bytes: int = 1000) -> tuple[bytes, str]:
    inflater = Inflater(block_bytes)
    out = b"".join(inflater.feed(raw))
    inflater.finish()
    return out, inflater.trouble


def test_file_comes_in_chunks_with_its_progress(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(TEXT)
    with SourceFile(path, block_bytes=4096) as source:
        seen = []
        chunks = []
        for chunk in source:
            chunks.append(chunk)
            seen.append(source.read_bytes)
    assert b"".join(chunks) == TEXT
    assert max(map(len, chunks)) == 4096
    assert seen[0] == 4096
    assert seen[-1] == source.total_bytes == len(TEXT)
    assert not source.gzipped
    assert source.trouble is None


def test_gzip_is_told_by_content_and_undone(tmp_path: Path) -> None:
    path = tmp_path / "no-ending"
    path.write_bytes(gzip.compress(TEXT))
    with SourceFile(path, block_bytes=4096) as source:
        chunks = list(source)
    assert b"".join(chunks) == TEXT
    assert max(map(len, chunks)) <= 4096
    assert source.gzipped
    assert source.read_bytes == source.total_bytes == path.stat().st_size


def test_head_stays_to_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.gz"
    path.write_bytes(gzip.compress(TEXT))
    with SourceFile(path, block_bytes=100) as source:
        assert source.head(250) == TEXT[:250]
        assert source.head(50) == TEXT[:50]
        assert b"".join(source) == TEXT


def test_empty_file_has_no_chunks(tmp_path: Path) -> None:
    path = tmp_path / "empty"
    path.touch()
    with SourceFile(path) as source:
        assert source.head() == b""
        assert list(source) == []
        assert source.trouble is None


def test_dash_is_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    stdin = io.TextIOWrapper(io.BytesIO(gzip.compress(TEXT)))
    monkeypatch.setattr(sys, "stdin", stdin)
    with SourceFile("-") as source:
        assert b"".join(source) == TEXT
    assert (source.name, source.total_bytes) == ("<stdin>", None)
    assert not stdin.closed


def test_pipe_gives_what_it_has(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = gzip.compress(TEXT)
    pieces = [raw[:1], raw[1:900], raw[900:]]

    class Pipe(io.RawIOBase):
        def readable(self) -> bool:
            return True

        def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
            piece = pieces.pop(0) if pieces else b""
            buffer[: len(piece)] = piece
            return len(piece)

    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BufferedReader(Pipe(), 1 << 16)))
    with SourceFile("-") as source:
        assert b"".join(source) == TEXT
        assert source.gzipped


def test_gzip_cut_short_keeps_what_was_good(tmp_path: Path) -> None:
    path = tmp_path / "cut.csv.gz"
    path.write_bytes(gzip.compress(TEXT)[:-2000])
    with SourceFile(path) as source:
        got = b"".join(source)
    assert TEXT.startswith(got)
    assert len(got) > 20_000
    assert str(source.trouble) == (
        f"{path}: the gzip data end too early, after {len(got):,} unzipped bytes\n"
        "What came before is used. Copy or export the file again for the rest."
    )


@pytest.mark.parametrize("cut", [2, 3, 9, 10, 15])
def test_gzip_cut_in_its_header_is_reported(cut: int) -> None:
    out, trouble = unzipped(gzip.compress(TEXT)[:cut])
    assert out == b""
    assert trouble == "the gzip data end too early, after 0 unzipped bytes"


def test_damaged_gzip_keeps_what_came_before_the_damage() -> None:
    raw = bytearray(zlib.compress(TEXT, wbits=-15))
    stored = b"\x00" + (5).to_bytes(2, "little") + (5).to_bytes(2, "little") + b"bogus"
    head = gzip.compress(b"")[:10]
    middle = zlib.compressobj(wbits=-15)
    first = middle.compress(TEXT) + middle.flush(zlib.Z_SYNC_FLUSH)
    out, trouble = unzipped(head + first + stored + bytes(raw))
    assert out == TEXT
    assert trouble == (
        f"the gzip data are damaged after {len(TEXT):,} unzipped bytes "
        "(invalid stored block lengths)"
    )


def test_wrong_check_value_is_reported_after_all_data() -> None:
    raw = bytearray(gzip.compress(TEXT))
    raw[-6] ^= 0xFF
    out, trouble = unzipped(bytes(raw))
    assert out == TEXT
    assert trouble == (
        f"the gzip data are damaged after {len(TEXT):,} unzipped bytes (incorrect data check)"
    )


def test_several_members_and_padding_are_one_stream() -> None:
    raw = gzip.compress(TEXT[:777]) + gzip.compress(b"") + gzip.compress(TEXT[777:]) + bytes(512)
    assert unzipped(raw) == (TEXT, "")


def test_what_follows_the_gzip_data_is_reported() -> None:
    out, trouble = unzipped(gzip.compress(TEXT) + b"trailer")
    assert out == TEXT
    assert trouble == f"something that is not gzip follows {len(TEXT):,} unzipped bytes"


def test_blocks_stay_small_when_a_little_unzips_to_much() -> None:
    raw = gzip.compress(bytes(20_000_000))
    sizes = [len(block) for block in Inflater(1 << 16).feed(raw)]
    assert sum(sizes) == 20_000_000
    assert max(sizes) <= 1 << 16


@settings(max_examples=50)
@given(cuts=st.lists(st.integers(0, 3000)), flip=st.none() | st.integers(0, 2000))
def test_unzipping_does_not_depend_on_the_cuts(cuts: list[int], flip: int | None) -> None:
    raw = bytearray(gzip.compress(TEXT[:2000]) + gzip.compress(TEXT[2000:3000]) + b"\0\0")
    if flip is not None:
        raw[flip % len(raw)] ^= 0x55
    whole = unzipped(bytes(raw))
    inflater = Inflater(1000)
    edges = [0, *sorted(min(cut, len(raw)) for cut in cuts), len(raw)]
    out = b"".join(block for a, b in pairwise(edges) for block in inflater.feed(bytes(raw[a:b])))
    inflater.finish()
    assert (out, inflater.trouble) == whole


def test_missing_file_is_one_error_with_the_nearest_name(tmp_path: Path) -> None:
    (tmp_path / "wire.csv.gz").touch()
    with pytest.raises(FileError) as caught:
        SourceFile(tmp_path / "wire.cvs.gz")
    assert str(caught.value) == (
        f"{tmp_path}/wire.cvs.gz: no such file\nDid you mean '{tmp_path}/wire.csv.gz'?"
    )


def test_missing_directory_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no such file") as caught:
        SourceFile(tmp_path / "nowhere" / "a.csv")
    assert caught.value.mend == f"There is no directory '{tmp_path}/nowhere' either."


def test_directory_is_one_error(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="this is a directory"):
        SourceFile(tmp_path)


def test_read_error_midway_keeps_what_was_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Failing(io.BytesIO):
        def read1(self, size: int | None = -1) -> bytes:
            if self.tell() >= 2000:
                raise OSError(5, "Input/output error")
            return super().read1(1000)

    path = tmp_path / "a"
    path.write_bytes(TEXT)
    source = SourceFile(path)
    source.close()
    monkeypatch.setattr(source, "_stream", Failing(TEXT))
    assert b"".join(source) == TEXT[:2000]
    assert "it cannot be read (Input/output error)" in str(source.trouble)


def test_a_named_pipe_without_a_writer_keeps_nobody_waiting(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    with SourceFile(path, stop=lambda: True) as source:
        assert source.head() == b""
        assert list(source) == []


def test_a_pipe_that_stalls_ends_when_told_to_stop(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    writer = os.open(path, os.O_RDWR)
    asked: list[int] = []

    def stop() -> bool:
        asked.append(1)
        return len(asked) > 2

    with SourceFile(path, stop=stop) as source:
        os.write(writer, TEXT[:1000])
        assert b"".join(source) == TEXT[:1000]
    os.close(writer)
    assert len(asked) == 3


def test_a_named_pipe_is_read_to_the_end_of_its_writer(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    with SourceFile(path, stop=lambda: False) as source:
        writer = os.open(path, os.O_WRONLY)
        os.write(writer, TEXT[:1000])
        os.close(writer)
        assert b"".join(source) == TEXT[:1000]
