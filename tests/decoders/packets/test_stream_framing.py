"""What a stream keeps is bounded, whatever lengths it claims."""

from __future__ import annotations

import numpy as np

from decoders.packets.layout import BIT, PacketSet
from decoders.packets.resolve import read_packets
from decoders.packets.rows import Cut, Rows, no_rows
from decoders.packets.stream_framing import MOST_BYTES, MOST_JUNK, StreamFramer

LONG = """
order = "big"
framing = "stream"
[[packet]]
name = "p"
field = [
  { name = "sync", type = "sync", bytes = "A5 5A" },
  { name = "length", type = "u32", length_of = "body" },
  { name = "body", type = "bytes" },
]
"""
NO_BORDERS = np.zeros(0, np.int64)


def row_of(data: bytes, number: int) -> Rows:
    one = np.array([number], np.int64)
    first = np.array([0, len(data)], np.int64)
    none = np.zeros(1, np.int64)
    return Rows(one, one, one, np.zeros(1, np.uint32), none, first, np.frombuffer(data, np.uint8))


def framer_of(packet_set: PacketSet) -> StreamFramer:
    return StreamFramer(packet_set, packet_set.of_direction(read=True), read=True)


def in_chunks(data: bytes, size: int) -> tuple[list[Cut], int]:
    """The cuts of a stream in chunks, and the most bytes that were kept between them."""
    framer, most, cuts = framer_of(read_packets(LONG, "p.toml")), 0, []
    for number, at in enumerate(range(0, len(data), size)):
        cuts.append(framer.feed(row_of(data[at : at + size], number), NO_BORDERS, closed=False))
        most = max(most, len(framer.held.data))
    return [*cuts, framer.feed(no_rows(), NO_BORDERS, closed=True)], most


def spans(cuts: list[Cut]) -> list[tuple[int, int]]:
    """Size and problems of each piece."""
    return [
        (int(b - a), int(problems))
        for cut in cuts
        for a, b, problems in zip(cut.begin, cut.end, cut.problems, strict=True)
    ]


def test_a_monstrous_length_is_not_waited_for_for_ever() -> None:
    data = b"\xa5\x5a\xff\xff\xff\xff" + b"\x01" * 200_000
    cuts, most = in_chunks(data, 4096)
    assert most <= MOST_BYTES
    assert spans(cuts)[0] == (MOST_BYTES, 0)
    assert sum(size for size, _ in spans(cuts)) == len(data)


def test_the_same_is_cut_from_the_whole_and_from_chunks() -> None:
    good = b"\xa5\x5a\x00\x00\x00\x03abc"
    data = good + b"\xa5\x5a\x00\x02\x00\x00" + b"\x02" * 70_000 + good + b"\x03" * 3000 + good
    whole, _ = in_chunks(data, len(data))
    pieces, _ = in_chunks(data, 999)
    assert spans(pieces) == spans(whole)


def test_junk_is_told_in_pieces_and_not_kept() -> None:
    cuts, most = in_chunks(b"\x07" * 50_000, 777)
    assert most < MOST_JUNK
    assert {problems for _, problems in spans(cuts)} == {BIT["junk"]}
    assert sum(size for size, _ in spans(cuts)) == 50_000
