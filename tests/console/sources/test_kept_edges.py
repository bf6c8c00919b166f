"""Edges kept on disk: any span of them, with gaps, while they grow, and when the disk is full."""

from __future__ import annotations

import gc
import resource
import shutil
import tempfile
import threading
from collections import namedtuple
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.sources import kept_edges
from console.sources.kept_edges import KeptEdges
from decoders.captures.edges import Edges

Stretch = tuple[list[tuple[int, int]], int]  # rows of time and level word, until when it is known


@pytest.fixture(scope="module", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The cache of whoever runs the tests is left alone."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


def block(rows: Sequence[tuple[int, int]], until_ns: int, *, begins: bool) -> Edges:
    t_ns, levels = np.array(rows, np.int64).reshape(-1, 2).T
    return Edges(t_ns.copy(), levels.astype(np.uint8), begins, until_ns)


def shown(edges: Edges) -> tuple[list[tuple[int, int]], int]:
    rows = list(zip(edges.t_ns.tolist(), edges.levels.tolist(), strict=True))
    return rows, edges.until_ns


@st.composite
def observed(draw: st.DrawFn) -> list[Stretch]:
    """Stretches with rows that may share a time, gaps of no length too."""
    t, stretches = draw(st.integers(-5, 5)), []
    steps = st.sampled_from([0, 0, 1, 2, 7])
    for _ in range(draw(st.integers(1, 3))):
        rows = []
        for step in draw(st.lists(steps, min_size=1, max_size=12)):
            t += step
            rows.append((t, draw(st.integers(0, 3))))
        until = t + draw(steps)
        stretches.append((rows, until))
        t = until + draw(steps)
    return stretches


def expected(stretches: list[Stretch], begin: int, end: int) -> list[Stretch]:
    """What spans must give, looked up row by row."""
    out: list[Stretch] = []
    later = [rows[0][0] for rows, _ in stretches]
    for k, (rows, until) in enumerate(stretches):
        if rows[0][0] > end or until < begin or any(t <= begin for t in later[k + 1 :]):
            continue
        before = [row for row in rows if row[0] < begin][-1:]
        inside = [row for row in rows if begin <= row[0] <= end]
        after = [t for t, _ in rows if t > end]
        out.append((before + inside, after[0] if after else until))
    return out


@settings(max_examples=200, deadline=None)
@given(
    stretches=observed(),
    cuts=st.lists(st.integers(0, 12), max_size=3),
    begin=st.integers(-10, 90),
    length=st.integers(0, 40),
)
def test_spans_are_those_of_the_rows_however_they_came_in_blocks(
    stretches: list[Stretch], cuts: list[int], begin: int, length: int
) -> None:
    with pytest.MonkeyPatch.context() as patch, KeptEdges() as kept:
        patch.setattr(kept_edges, "_STRIDE", 3)
        for rows, until in stretches:
            places = [0, *sorted({c for c in cuts if 0 < c < len(rows)}), len(rows)]
            for a, b in pairwise(places):
                kept.feed(block(rows[a:b], rows[b - 1][0], begins=a == 0))
            kept.feed(block([], until, begins=False))
        got = [shown(part) for part in kept.spans(begin, begin + length)]
        first = shown(kept.span(begin, begin + length))
        at = kept.levels_at(begin)
        count = kept.count(begin, begin + length)
    want = expected(stretches, begin, begin + length)
    assert got == want
    assert first == (want[0] if want else ([], begin))
    here = [rows for rows, until in stretches if rows[0][0] <= begin <= until]
    assert at == ([level for t, level in here[-1] if t <= begin][-1] if here else None)
    times = [t for rows, _ in stretches for t, _ in rows]
    assert count == sum(begin <= t <= begin + length for t in times)


def regular(rows: int, at: int = 0) -> Edges:
    numbers = np.arange(at, at + rows, dtype=np.int64)
    return Edges(numbers * 100, (numbers % 3).astype(np.uint8), at == 0, (at + rows - 1) * 100)


def test_any_place_of_a_long_capture_is_read_as_it_was_fed() -> None:
    with KeptEdges() as kept:
        for k in range(40):
            kept.feed(regular(5_000, k * 5_000))
        assert len(kept) == 200_000
        for row in (0, 4_095, 4_096, 4_097, 123_456, 199_999):
            part = kept.span(row * 100, row * 100 + 250)
            numbers = range(max(row - 1, 0), min(row + 3, 200_000))
            assert part.t_ns.tolist() == [100 * k for k in numbers]
            assert part.levels.tolist() == [k % 3 for k in numbers]


def test_the_levels_are_known_to_hold_up_to_the_next_edge() -> None:
    with KeptEdges() as kept:
        kept.feed(block([(0, 3), (100, 1), (40_000_000, 3)], 50_000_000, begins=True))
        assert shown(kept.span(100, 200)) == ([(0, 3), (100, 1)], 40_000_000)
        assert shown(kept.span(45_000_000, 60_000_000)) == ([(40_000_000, 3)], 50_000_000)


def test_level_words_keep_their_width() -> None:
    with KeptEdges() as kept:
        words = np.array([1 << 40, 3], np.uint64)
        kept.feed(Edges(np.array([5, 9], np.int64), words, True, 9))
        part = kept.span(0, 9)
        assert (part.levels.dtype.name, part.levels.tolist()) == ("uint64", [1 << 40, 3])
        with pytest.raises(ValueError, match="level words were uint64 and are uint8 now"):
            kept.feed(block([(10, 1)], 10, begins=False))


def test_a_span_that_ends_before_it_begins_is_refused() -> None:
    with KeptEdges() as kept, pytest.raises(ValueError, match="from 5 to 4 ns"):
        kept.span(5, 4)


def test_nothing_is_in_the_directory_while_it_keeps_and_after(tmp_path: Path) -> None:
    with KeptEdges(tmp_path) as kept:
        kept.feed(regular(10_000))
        assert list(tmp_path.iterdir()) == []
        assert len(kept.span(0, 10**9).t_ns) == 10_000
    assert list(tmp_path.iterdir()) == []


def test_files_go_with_whoever_kept_them(tmp_path: Path) -> None:
    kept = KeptEdges(tmp_path)
    kept.feed(regular(10))
    close = kept._close
    del kept
    gc.collect()
    assert not getattr(close, "alive", True)


def test_after_closing_there_is_nothing_to_read() -> None:
    kept = KeptEdges()
    kept.feed(regular(10))
    kept.close()
    assert shown(kept.span(0, 500)) == ([], 0)
    assert (kept.levels_at(100), kept.trouble) == (None, "closed")


@contextmanager
def files_no_longer_than(size: int) -> Iterator[None]:
    """The system refuses to write more, as a full disk does (setrlimit(2): EFBIG)."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_on_a_full_disk_what_was_kept_stays_and_reading_goes_on(tmp_path: Path) -> None:
    with KeptEdges(tmp_path) as kept:
        with files_no_longer_than(50_000):  # 6,250 times
            for k in range(4):
                kept.feed(regular(3_000, k * 3_000))
        assert kept.trouble == (
            "the bit levels of this capture are not kept after 6,000 edges: "
            f"File too large in {tmp_path}"
        )
        assert len(kept) == 6_000
        part = kept.span(599_800, 700_000)
        assert shown(part) == ([(599_700, 0), (599_800, 1), (599_900, 2)], 599_900)
        assert kept.levels_at(600_000) is None


def test_it_leaves_room_on_the_disk_for_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(kept_edges, "_LOOK_EVERY_BYTES", 9_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(1 << 40, 1 << 40, 200 << 20))
    with KeptEdges(tmp_path) as kept:
        kept.feed(regular(999))
        assert kept.trouble == ""
        kept.feed(regular(1, 999))
        assert "after 1,000 edges: less than 256 MB are free" in kept.trouble
        kept.feed(regular(1, 1_000))
        assert len(kept) == 1_000


def test_without_a_place_to_write_it_says_so_and_keeps_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with KeptEdges(tmp_path / "file") as kept:
        kept.feed(regular(10))
        assert kept.trouble.startswith("the bit levels of this capture are not kept: ")
        assert shown(kept.span(0, 500)) == ([], 0)


def test_files_go_to_the_cache_and_else_where_temporary_files_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    went = []
    for cache in ("cache", "file"):
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / cache))
        with KeptEdges() as kept:
            kept.feed(regular(10))
            went.append((kept._directory, kept.trouble))
    assert went == [(tmp_path / "cache" / "lastack", ""), (tmp_path, "")]


def test_it_can_be_read_while_another_thread_feeds_it() -> None:
    blocks = 300
    seen: list[tuple[int, Edges, int | None]] = []

    def feed() -> None:
        for k in range(1, blocks):
            kept.feed(regular(1_000, k * 1_000))

    with KeptEdges() as kept:
        kept.feed(regular(1_000))
        feeding = threading.Thread(target=feed)
        feeding.start()
        while not seen or feeding.is_alive():
            last = (len(kept) - 1) * 100
            seen.append((last, kept.span(last, last), kept.levels_at(last)))
        feeding.join()
        assert len(kept) == blocks * 1_000
    wrong = [
        (last, part, at)
        for last, part, at in seen
        if part.t_ns[-1] != last or at != last // 100 % 3
    ]
    assert wrong == []
