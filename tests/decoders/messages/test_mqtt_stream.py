from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.tcp_connections import Connection, End, Part, PartRows
from decoders.captures.tcp_half import Piece
from decoders.messages.mqtt_stream import MOST_KEPT, Broken, Cut, HalfStream, Lost, Unread
from tests.decoders.messages.mqtt_made import PINGREQ, made, publish

ENDS = End(bytes(16), 1), End(bytes(16), 2)


def part(*rows: bytes | int) -> Part:
    """A part of one half: bytes, or how many are missing."""
    found = PartRows(Connection(1, ENDS))
    for k, row in enumerate(rows):
        piece = Piece(k, b"", row) if isinstance(row, int) else Piece(k, row)
        found.pieces(0, k, [piece])
    return found.part()


def cut(*rows: bytes | int, together: bool = True) -> list[object]:
    """What is found in rows, packets as bytes."""
    stream = HalfStream()
    parts = [part(*rows)] if together else [part(row) for row in rows]
    found: list[object] = []
    for each in parts:
        for item in stream.feed(each, 0):
            if isinstance(item, Cut):
                found += [made(int(item.first[k]), item.body_of(k)) for k in range(len(item))]
            elif isinstance(item, Broken):
                found.append(item.error.clause)
            else:
                found.append(item._replace(row=0))
    return found


MESSAGES = [
    publish("a/b", b"x" * 3),
    PINGREQ,
    publish("capline/hopper", b"y" * 200),
    publish("c", b"z" * 17_000),
    publish("d", b"last"),
]
WHOLE = b"".join(MESSAGES)


@settings(deadline=None)
@given(cuts=st.lists(st.integers(0, len(WHOLE)), max_size=12), together=st.booleans())
def test_packets_do_not_depend_on_segments(cuts: list[int], together: bool) -> None:
    edges = sorted({0, *cuts, len(WHOLE)})
    rows = [WHOLE[a:b] for a, b in pairwise(edges)]
    assert cut(*rows, together=together) == MESSAGES


def test_a_packet_is_of_the_row_that_completed_it() -> None:
    (item,) = HalfStream().feed(part(WHOLE[:3], WHOLE[3:14], WHOLE[14:]), 0)
    assert isinstance(item, Cut)
    assert item.row.tolist() == [1, 1, 2, 2, 2]
    assert item.stop.dtype == np.int64


@settings(deadline=None)
@given(cuts=st.lists(st.integers(0, 300), max_size=6), together=st.booleans())
def test_a_hole_inside_a_packet_costs_that_packet_alone(cuts: list[int], together: bool) -> None:
    broken = publish("capline/hopper", b"y" * 200)
    before, after = PINGREQ + broken[:30], broken[80:] + PINGREQ
    rows: list[bytes | int] = [before[a:b] for a, b in _spans(cuts, len(before))]
    rows += [50, *(after[a:b] for a, b in _spans(cuts, len(after)))]
    unread = Unread(0, 0x30, broken[3:30], len(broken) - 3, 50)
    assert cut(*rows, together=together) == [PINGREQ, Lost(0, 50), unread, PINGREQ]


def _spans(cuts: list[int], length: int) -> list[tuple[int, int]]:
    edges = sorted({0, length, *(min(each, length) for each in cuts)})
    return list(pairwise(edges))


def test_after_any_other_hole_packets_are_taken_up_where_a_segment_begins_with_them() -> None:
    rows: list[bytes | int] = [
        PINGREQ,
        7,
        b"tail of a lost one",
        MESSAGES[2] + PINGREQ,
        MESSAGES[0],
    ]
    expected = [PINGREQ, Lost(0, 7), MESSAGES[2], PINGREQ, MESSAGES[0]]
    assert cut(*rows) == expected
    assert cut(*rows, together=False) == expected


def test_a_publish_that_goes_on_in_the_next_segment_takes_it_up_too() -> None:
    long = MESSAGES[3]
    assert cut(9, long[:1000], long[1000:], PINGREQ) == [Lost(0, 9), long, PINGREQ]


@settings(deadline=None)
@given(at=st.integers(0, 40), together=st.booleans())
def test_a_length_that_cannot_be_is_told_and_left_behind(at: int, together: bool) -> None:
    bad = b"\x30\xff\xff\xff\xff" + b"?" * 40
    rows = [PINGREQ + bad[:at], bad[at:], MESSAGES[0]]
    found = cut(*[row for row in rows if row], together=together)
    assert found == [PINGREQ, "MQTT 3.1.1 section 2.2.3", MESSAGES[0]]


@settings(deadline=None)
@given(cuts=st.lists(st.integers(0, 5000), max_size=5), together=st.booleans())
def test_of_a_packet_too_large_only_the_beginning_is_kept(cuts: list[int], together: bool) -> None:
    large = publish("capline/image", b"#" * (MOST_KEPT + 1))
    stream = PINGREQ + large + PINGREQ
    found = cut(*[stream[a:b] for a, b in _spans(cuts, len(stream))], together=together)
    body = large[4:] if large[3] < 0x80 else large[5:]
    assert found[0] == found[2] == PINGREQ
    assert isinstance(found[1], Unread)
    assert (found[1].length, found[1].missing) == (len(body), 0)
    assert body.startswith(found[1].beginning)
    assert len(found[1].beginning) == (1 << 12) - (len(large) - len(body))
