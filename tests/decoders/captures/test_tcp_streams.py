from __future__ import annotations

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.pcap import PcapReader
from decoders.captures.tcp_connections import Part, What
from decoders.captures.tcp_segments import SYN, SegmentDecoder
from decoders.captures.tcp_streams import TcpStreams
from tests.decoders.captures.network_files import Stamped, Talk, in_time, pcap, pieces

Row = tuple[int, str, int, int, int, bytes]  # connection, what, half, frame, time, bytes


def decoded(
    frames: list[Stamped], cuts: list[int] | None = None, most: int = 64
) -> tuple[list[Row], TcpStreams]:
    """Rows of all connections in order of frames, however the file was cut."""
    reader, segments, streams = PcapReader("made"), SegmentDecoder(), TcpStreams(most)
    parts: list[Part] = []
    for chunk in pieces(pcap(frames), cuts or []):
        parts += streams.feed(segments.feed(reader.feed(chunk)))
    parts += streams.finish()
    rows = [row for part in parts for row in rows_of(part)]
    return sorted(rows, key=lambda row: (row[3], row[0])), streams


def rows_of(part: Part) -> list[Row]:
    found = []
    for k in range(len(part)):
        what, start, length = What(int(part.what[k])), int(part.start[k]), int(part.length[k])
        data = part.data[start : start + length] if what is What.DATA else b"\0" * length
        where = int(part.half[k]), int(part.number[k]), int(part.t_ns[k])
        found.append((part.connection.serial, what.name, *where, data))
    return found


def said(rows: list[Row]) -> dict[tuple[int, int], bytes]:
    """What each half of each connection sent."""
    found: dict[tuple[int, int], bytes] = {}
    for serial, what, half, _, _, data in rows:
        if what == "DATA":
            found[serial, half] = found.get((serial, half), b"") + data
    return found


def two_talks() -> tuple[Talk, Talk]:
    one = Talk().open().says(b"one", b"two", b"three").hears(b"ok").says(b"four").close()
    two = Talk(client="fd00::7", broker="fd00::1").wait(0.0004).open()
    return one, two.hears(b"hello").says(b"x" * 50, b"y").reset(1)


def test_both_directions_of_each_connection_are_put_together() -> None:
    rows, streams = decoded(in_time(*two_talks()))
    assert said(rows) == {
        (1, 1): b"onetwothreefour",
        (1, 0): b"ok",
        (2, 1): b"x" * 50 + b"y",
        (2, 0): b"hello",
    }
    assert [row[:3] for row in rows if row[1] != "DATA"] == [
        (2, "RST", 0), (1, "FIN", 1), (1, "FIN", 0),
    ]  # fmt: skip
    assert streams.facts.connections == 2


@settings(max_examples=60, deadline=None)
@given(cuts=st.lists(st.integers(0, 2500), max_size=8), most=st.sampled_from([1, 2, 64]))
def test_rows_do_not_depend_on_how_the_file_is_cut(cuts: list[int], most: int) -> None:
    three = [*two_talks(), Talk(port=50113).wait(0.0051).says(b"from the middle on", b"x")]
    frames = in_time(*three)
    lost = [frame for k, frame in enumerate(frames) if k not in (7, 9)]
    assert decoded(lost, cuts, most)[0] == decoded(lost, None, most)[0]


@settings(deadline=None)
@given(order=st.randoms(use_true_random=False), repeats=st.lists(st.integers(0, 30), max_size=6))
def test_reordered_and_repeated_segments_give_the_same_bytes(
    order: random.Random, repeats: list[int]
) -> None:
    talk = (
        Talk().open().says(*[b"%d;" % k for k in range(12)]).hears(*[b"<%d>" % k for k in range(9)])
    )
    frames = talk.frames
    middle = frames[3:] + [frames[3 + k % (len(frames) - 3)] for k in repeats]
    order.shuffle(middle)
    shuffled = [
        frame._replace(t_ns=frames[0].t_ns + k) for k, frame in enumerate([*frames[:3], *middle])
    ]
    rows, streams = decoded(shuffled)
    assert said(rows) == said(decoded(frames)[0])
    assert streams.facts.missing == 0


def test_a_hole_stands_where_bytes_were_not_captured() -> None:
    talk = Talk().open().says(b"one").lose(0, b"lost").says(b"two").hears(b"ok").wait(0.2)
    rows, streams = decoded(talk.hears(b"ok").close().frames)
    assert [row[5] for row in rows if row[2] == 1] == [b"one", bytes(4), b"two", b""]
    assert streams.facts.missing == 4


def test_a_connection_that_began_before_the_capture_is_followed_from_its_first_bytes() -> None:
    talk = Talk().says(b"one").hears(b"two")
    rows, _ = decoded(talk.frames)
    assert said(rows) == {(1, 1): b"one", (1, 0): b"two"}
    assert rows[-1][1] == "CUT"


def test_the_same_ends_again_are_another_connection() -> None:
    first = Talk().open().says(b"one").close()
    again = Talk(t_ns=first.t_ns, seq=[9, 9]).open().says(b"two")
    rows, streams = decoded(first.frames + again.frames)
    assert said(rows) == {(1, 1): b"one", (2, 1): b"two"}
    assert streams.facts.connections == 2


def test_a_repeated_syn_opens_nothing_new() -> None:
    talk = Talk().open().says(b"one")
    frames = [talk.frames[0], *talk.frames]
    assert decoded(frames)[1].facts.connections == 1


def test_a_new_syn_ends_a_connection_whose_end_was_not_captured() -> None:
    first = Talk().open().says(b"one")
    again = Talk(t_ns=first.t_ns, seq=[9, 9]).send(0, flags=SYN)
    assert (1, "GONE") in [row[:2] for row in decoded(first.frames + again.frames)[0]]


def test_the_connections_silent_longest_are_let_go() -> None:
    talks = [Talk(port=50000 + k).wait(k).open().says(b"%d" % k) for k in range(9)]
    rows, streams = decoded(in_time(*talks), most=4)
    assert streams.facts.let_go == 6
    assert sorted(said(rows).values()) == [b"%d" % k for k in range(9)]


def test_segments_after_the_end_are_not_read() -> None:
    talk = Talk().open().says(b"one").reset(1).says(b"late")
    assert said(decoded(talk.frames)[0]) == {(1, 1): b"one"}


def test_nobody_needs_to_be_told_of_a_port_scan() -> None:
    scanned = [
        frame for k in range(40) for frame in Talk(port=2000 + k).send(0, flags=SYN).reset(1).frames
    ]
    rows, _ = decoded(scanned, most=8)
    assert {row[1] for row in rows} <= {"RST", "GONE", "CUT"}
