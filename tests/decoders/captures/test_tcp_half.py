from __future__ import annotations

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.tcp_half import MOST_WAITING_BYTES, PATIENCE_NS, Half, Piece

FIRST = 2**32 - 3  # so that numbers wrap round


def begun() -> Half:
    half = Half()
    half.begin(FIRST)
    return half


def stream(pieces: list[Piece]) -> bytes:
    return b"".join(piece.data for piece in pieces)


@settings(deadline=None)
@given(
    data=st.binary(min_size=1, max_size=60),
    cuts=st.lists(st.tuples(st.integers(0, 59), st.integers(1, 20)), max_size=20),
    order=st.randoms(use_true_random=False),
)
def test_bytes_come_in_order_whatever_order_and_overlap_segments_have(
    data: bytes, cuts: list[tuple[int, int]], order: random.Random
) -> None:
    spans = [(at, at + 7) for at in range(0, len(data), 7)]
    spans += [(at, at + length) for at, length in cuts if at < len(data)]
    order.shuffle(spans)
    half, found = begun(), []
    for a, b in spans:
        found += half.feed(FIRST + a, data[a:b], 0, 1)
    assert stream(found) == data
    assert not half.is_waiting


def test_bytes_count_as_come_when_all_before_them_had() -> None:
    half = begun()
    early = half.feed(FIRST + 2, b"cd", 0, 5)
    assert early == []
    assert half.feed(FIRST, b"ab", 0, 9) == [Piece(9, b"ab"), Piece(9, b"cd")]
    assert half.feed(FIRST + 4, b"ef", 0, 7) == [Piece(9, b"ef")]


def test_of_bytes_sent_twice_the_first_copy_stays() -> None:
    half = begun()
    half.feed(FIRST + 2, b"CD", 0, 1)
    assert stream(half.feed(FIRST, b"abcdef", 0, 1)) == b"abcdef"
    other = begun()
    other.feed(FIRST, b"ab", 0, 1)
    assert stream(other.feed(FIRST + 1, b"Bc", 0, 1)) == b"c"


def test_repeats_are_counted_and_bring_nothing() -> None:
    half = begun()
    half.feed(FIRST, b"abc", 0, 1)
    assert half.feed(FIRST + 1, b"bc", 0, 2) == []
    assert half.feed(FIRST - 1, b"\0", 0, 2) == []  # as a keep-alive of TCP is
    assert half.repeated == 2


def test_what_the_receiver_has_and_the_capture_has_not_is_a_hole() -> None:
    half = begun()
    half.feed(FIRST + 4, b"ef", 0, 0)
    assert half.acknowledged(FIRST + 6, PATIENCE_NS - 1) == []
    assert half.acknowledged(FIRST, PATIENCE_NS) == []
    found = half.acknowledged(FIRST + 6, PATIENCE_NS)
    assert found == [Piece(0, b"", 4), Piece(0, b"ef")]
    assert half.missing == 4


def test_a_segment_the_capture_cut_leaves_a_hole() -> None:
    half = begun()
    assert half.feed(FIRST, b"ab", 3, 1) == [Piece(1, b"ab"), Piece(1, b"", 3)]
    assert half.feed(FIRST + 5, b"f", 0, 2) == [Piece(2, b"f")]


def test_what_waits_is_bounded() -> None:
    half = begun()
    block = bytes(1400)
    found: list[Piece] = []
    fed = 0
    while not found:
        found = half.feed(FIRST + 1 + fed, block, 0, fed)
        fed += len(block)
    assert MOST_WAITING_BYTES < fed <= MOST_WAITING_BYTES + len(block)
    assert found[0] == Piece(0, b"", 1)
    assert len(stream(found)) == fed


def test_it_is_over_when_everything_before_its_fin_has_come() -> None:
    half = begun()
    half.fin(FIRST + 2, 1)
    assert not half.is_over
    half.feed(FIRST, b"ab", 0, 2)
    assert half.is_over


def test_what_is_missing_before_a_fin_is_a_hole_once_that_is_acknowledged() -> None:
    half = begun()
    half.fin(FIRST + 2, 0)
    assert half.acknowledged(FIRST + 3, PATIENCE_NS) == [Piece(0, b"", 2)]
    assert half.is_over
