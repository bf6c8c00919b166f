from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.prints import lines as lines_module
from decoders.prints.columns import NO_TIME
from decoders.prints.lines import Arrivals, LineCutter, RawLines, looks_like_prints

Row = tuple[int, bytes, int, bool, bool]


def rows(table: RawLines) -> list[Row]:
    return [
        (
            int(table.at_byte[k]),
            table.row(k),
            int(table.arrival_ns[k]),
            bool(table.begins[k]),
            bool(table.whole[k]),
        )
        for k in range(len(table))
    ]


def cut(*chunks: bytes) -> tuple[list[Row], LineCutter]:
    cutter = LineCutter()
    got = [
        row for k, chunk in enumerate(chunks) for row in rows(cutter.feed(chunk, Arrivals.at(k)))
    ]
    return got + rows(cutter.finish()), cutter


def plainly_cut(stream: bytes) -> tuple[list[tuple[int, bytes, bool]], Counter[str], int]:
    """The same rules, one byte after another: offset, line, whether it has an ending."""
    found, endings, blank, begin, at = [], Counter[str](), 0, 0, 0
    while at < len(stream):
        if stream[at] not in b"\r\n":
            at += 1
            continue
        pair = stream[at : at + 2] in (b"\r\n", b"\n\r")
        names = {b"\n": "LF", b"\r": "CR", b"\r\n": "CRLF", b"\n\r": "LFCR"}
        endings[names[stream[at : at + 1 + pair]]] += 1
        if at > begin:
            found.append((begin, stream[begin:at], True))
        else:
            blank += 1
        at += 1 + pair
        begin = at
    if begin < len(stream):
        found.append((begin, stream[begin:], False))
    return found, endings, blank


@pytest.mark.parametrize(
    ("stream", "expected"),
    [
        (b"a\nb\n", [b"a", b"b"]),
        (b"a\r\nb\r\n", [b"a", b"b"]),
        (b"a\rb\r", [b"a", b"b"]),
        (b"a\n\rb\n\r", [b"a", b"b"]),
        (b"a\nb\r\nc\rd\n\re", [b"a", b"b", b"c", b"d", b"e"]),
        (b"a\r\n\r\nb", [b"a", b"b"]),
        (b"\n\n\r\r", []),
        (b"", []),
        (b"a\0\x1b[2Jb\xff\n", [b"a\0\x1b[2Jb\xff"]),
    ],
)
def test_any_line_ending_ends_a_line(stream: bytes, expected: list[bytes]) -> None:
    assert [row[1] for row in cut(stream)[0]] == expected


def test_a_line_is_given_before_the_second_half_of_its_ending_comes() -> None:
    cutter = LineCutter()
    assert [row[1] for row in rows(cutter.feed(b"now\r", Arrivals.at(0)))] == [b"now"]
    assert rows(cutter.feed(b"\n", Arrivals.at(1))) == []
    assert cutter.endings["CRLF"] == 1


def test_the_last_line_without_an_ending_is_kept_and_marked() -> None:
    got, _ = cut(b"one\ntw", b"o")
    assert [(row[1], row[4]) for row in got] == [(b"one", True), (b"two", False)]


def test_a_line_arrives_with_its_first_byte() -> None:
    got, _ = cut(b"ab", b"c\nd\ne", b"f\n", b"g")
    assert [(row[1], row[2]) for row in got] == [(b"abc", 0), (b"d", 1), (b"ef", 1), (b"g", 3)]


def test_a_line_has_no_arrival_where_the_host_has_no_stamp() -> None:
    cutter = LineCutter()
    assert rows(cutter.feed(b"a\n", Arrivals.at(None)))[0][2] == NO_TIME


def test_parts_of_one_chunk_have_their_own_arrival() -> None:
    arrivals = Arrivals(np.array([0, 1, 4]), np.array([10, 20, 30]))
    got = rows(LineCutter().feed(b"a\nbc\nd\ne\n", arrivals))
    assert [(row[1], row[2]) for row in got] == [
        (b"a", 10),
        (b"bc", 20),
        (b"d", 30),
        (b"e", 30),
    ]


def test_a_ten_megabyte_line_comes_in_pieces_and_loses_no_byte() -> None:
    stream = bytes(range(32, 127)) * 106_000
    got, cutter = cut(
        b"short\n", *[stream[k : k + 999_983] for k in range(0, len(stream), 999_983)]
    )
    assert b"".join(row[1] for row in got[1:]) == stream
    assert {len(row[1]) for row in got[1:-1]} == {65536}
    assert [row[3] for row in got[:3]] == [True, True, False]
    assert not any(row[4] for row in got[1:])
    assert cutter.over_long == 1


PIECES = st.lists(
    st.sampled_from([b"\n", b"\r", b"\r\n", b"\n\r", b"a", b"bcdefgh", b"\0", b"\xff"])
)


@settings(max_examples=100, deadline=None)
@given(PIECES.map(b"".join), st.lists(st.integers(0, 60)), st.sampled_from([3, 65536]))
def test_lines_do_not_depend_on_how_the_bytes_are_cut(
    stream: bytes, cuts: list[int], longest: int
) -> None:
    edges = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    chunks = [stream[a:b] for a, b in pairwise(edges)]
    arrival = [k for k, chunk in enumerate(chunks) for _ in chunk]
    found, endings, blank = plainly_cut(stream)
    expected = [
        (begin + at, line[at : at + longest], arrival[begin + at], at == 0)
        for begin, line, _ in found
        for at in range(0, len(line), longest)
    ]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lines_module, "LONGEST_BYTES", longest)
        got, cutter = cut(*chunks)
    assert [row[:4] for row in got] == expected
    assert +cutter.endings == +endings
    assert cutter.blank_lines == blank


@settings(max_examples=60, deadline=None)
@given(PIECES.map(b"".join))
def test_every_byte_is_in_a_line_or_an_ending(stream: bytes) -> None:
    got, cutter = cut(*[stream[k : k + 1] for k in range(len(stream))])
    widths = {"LF": 1, "CR": 1, "CRLF": 2, "LFCR": 2}
    ends = sum(widths[name] * count for name, count in cutter.endings.items())
    assert sum(len(row[1]) for row in got) + ends == len(stream)
    assert [row[0] for row in got] == sorted({row[0] for row in got})


@pytest.mark.parametrize(
    ("head", "text"),
    [
        (b"[12] boot\n[13] camera ok\n", True),
        ("[12] 21 °C\n".encode(), True),
        ("[12] 21 °".encode()[:-1], True),  # cut inside a character
        (b"[12] 21 \xb0C, level 41 cm, poll 17\n", True),  # Latin-1
        (b"boot\x00\n[12] camera ok, level 40\n", True),
        (b"\x1b[0;32mI (12) x\x1b[0m\n", True),
        (b"\x07\x08\x09\x0a\x0b\x0c\x0d\x1b x", True),  # controls that printed text may hold
        (b"\x06\x0e\x1a\x1c\x06\x0e\x1a\x1c x", False),
        (bytes(range(256)), False),
        (b"\x00\x01\x02\x03" * 10, False),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", False),
        (b"\xf0\x9f\xf3\x80" * 9, False),
        (b"", False),
        (b"  \r\n", False),
    ],
)
def test_printed_text_is_told_from_other_bytes(head: bytes, text: bool) -> None:
    assert looks_like_prints(head) == text
