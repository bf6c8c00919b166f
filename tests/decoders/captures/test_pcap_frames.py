from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.pcap_frames import (
    FileFacts,
    Frames,
    Pending,
    damaged,
    no_frames,
    words_at,
)


def frames_at(*t_ns: int, cut: int = 0) -> Frames:
    """Frames of no bytes at some times, the first `cut` of them not captured whole."""
    n = len(t_ns)
    zero, wire = np.zeros(n, np.int64), np.zeros(n, np.int64)
    wire[:cut] = 9
    times = np.array(t_ns, np.int64)
    return Frames(np.arange(1, n + 1), times, zero, zero, zero, wire, np.empty(0, np.uint8))


def test_bytes_wait_until_there_are_as_many_as_asked_for() -> None:
    pending = Pending()
    pending.keep(b"", 0, 4)
    assert [pending.feed(b"a"), pending.feed(b"bc"), pending.feed(b"de")] == [b"", b"", b"abcde"]


def test_what_was_used_moves_the_place_in_the_file_on() -> None:
    pending = Pending()
    pending.keep(pending.feed(b"abcdef"), 4, 3)
    assert (pending.at_byte, pending.all()) == (4, b"ef")
    assert [pending.feed(b""), pending.feed(b"g")] == [b"", b"efg"]


@settings(deadline=None)
@given(chunks=st.lists(st.binary(max_size=5)), need=st.integers(0, 12))
def test_nothing_that_waits_is_lost(chunks: list[bytes], need: int) -> None:
    pending, used = Pending(), b""
    pending.keep(b"", 0, need)
    for chunk in chunks:
        data = pending.feed(chunk)
        if data:
            half = len(data) // 2
            used += data[:half]
            pending.keep(data, half, need)
    assert used + pending.all() == b"".join(chunks)
    assert pending.at_byte == len(used)


@pytest.mark.parametrize("big", [False, True])
def test_words_are_read_at_any_place_in_either_order(big: bool) -> None:
    order = ">" if big else "<"
    data = b"?" + struct.pack(order + "II", 0xFFFFFFFE, 7) + b"!"
    found = words_at(np.frombuffer(data, np.uint8), np.array([1, 5]), big=big)
    assert (found.tolist(), str(found.dtype)) == ([0xFFFFFFFE, 7], "int64")
    assert words_at(np.frombuffer(data, np.uint8), np.empty(0, np.int64), big=big).tolist() == []


def test_facts_span_the_earliest_and_latest_stamp_of_all_blocks() -> None:
    facts = FileFacts()
    for block in (no_frames(), frames_at(5, 3, 9, cut=2), frames_at(1, 4, cut=1)):
        facts.count(block)
    assert (facts.frames, facts.first_ns, facts.last_ns, facts.cut_frames) == (5, 1, 9, 3)


def test_a_capture_without_frames_has_no_first_stamp() -> None:
    facts = FileFacts()
    facts.count(no_frames())
    assert (facts.frames, facts.first_ns) == (0, None)


def test_damage_is_told_with_its_byte_and_what_can_be_done() -> None:
    error = damaged("lan.pcap", "a block of 13 bytes", 1_234_567)
    assert str(error).splitlines() == [
        "lan.pcap: byte 1,234,567: a block of 13 bytes",
        "What came before is used. Capture or copy it again for the rest.",
    ]
