from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.pcap import PcapReader, looks_pcap
from decoders.errors import CaptureError
from tests.decoders.captures.network_files import START_NS, Stamped, pcap, pieces, read

# Internet-Draft draft-ietf-opsawg-pcap-06 section 4 and 5; written and read by dpkt 1.9.8.
WORKED = bytes.fromhex(
    "d4c3b2a1 02000400 00000000 00000000 ffff0000 00000000"
    "00f15365 90d00300 20000000 20000000"
    "02000000 4500001c 00010000 400166df 7f000001 7f000001 0800f7ff 00000000"
)
FRAMES = st.builds(
    Stamped,
    st.integers(0, 2**32 * 10**9 - 1),
    st.binary(max_size=40),
    st.one_of(st.none(), st.integers(40, 90)),
)


def test_the_worked_example_is_one_frame_of_link_type_null() -> None:
    assert read(PcapReader("worked.pcap"), [WORKED]) == [
        (1, 1_700_000_000_250_000_000, 0, WORKED[40:], 32)
    ]


def test_the_fraction_of_the_other_magic_is_in_nanoseconds() -> None:
    nano = b"\x4d\x3c\xb2\xa1" + WORKED[4:28] + bytes.fromhex("80b2e60e") + WORKED[32:]
    assert read(PcapReader("nano.pcap"), [nano])[0][1] == 1_700_000_000_250_000_000


@settings(deadline=None)
@given(
    frames=st.lists(FRAMES, max_size=6),
    big=st.booleans(),
    nano=st.booleans(),
    cuts=st.lists(st.integers(0, 400)),
)
def test_frames_are_what_was_written_however_the_file_is_cut(
    frames: list[Stamped], big: bool, nano: bool, cuts: list[int]
) -> None:
    unit_ns = 1 if nano else 1000
    expected = [
        (k, t_ns // unit_ns * unit_ns, 113, data, len(data) if wire is None else wire)
        for k, (t_ns, data, wire) in enumerate(frames, 1)
    ]
    file = pcap(frames, link=113, big=big, nano=nano)
    assert read(PcapReader("made.pcap"), pieces(file, cuts)) == expected


def test_the_upper_bits_of_the_link_type_tell_of_the_check_sequence_and_are_left_out() -> None:
    file = bytearray(pcap([Stamped(START_NS, b"x")], link=1))
    file[23] = 0x44
    assert read(PcapReader("made.pcap"), [bytes(file)])[0][2] == 1


def test_a_frame_that_the_end_cuts_is_told_with_its_place() -> None:
    file = pcap([Stamped(START_NS, b"whole"), Stamped(START_NS, b"cut off")])
    reader = PcapReader("made.pcap")
    assert len(read(reader, [file[:-2]])) == 1
    assert str(reader.stopped).splitlines()[0] == (
        "made.pcap: byte 45: the file ends in the middle of a frame"
    )


def test_a_length_that_cannot_be_stops_the_reading_after_the_good_frames() -> None:
    file = pcap([Stamped(START_NS, b"whole"), Stamped(START_NS, b"")])
    file = file[:-8] + b"\xff\xff\xff\x7f" + file[-4:]
    reader = PcapReader("made.pcap")
    assert [row[3] for row in read(reader, pieces(file, [30, 50, 60]))] == [b"whole"]
    assert reader.stopped is not None
    assert reader.stopped.message == "byte 45: a frame of 2,147,483,647 bytes"


@pytest.mark.parametrize(
    ("file", "message"),
    [
        (b"", "this is no network capture (pcap)"),
        (WORKED[:20], "the header of the capture is cut short"),
        (WORKED[:4] + b"\x03" + WORKED[5:], "version 3 of the capture format is not known"),
    ],
)
def test_a_header_that_cannot_be_read_is_refused(file: bytes, message: str) -> None:
    reader = PcapReader("made.pcap")
    with pytest.raises(CaptureError) as caught:
        read(reader, [file])
    assert caught.value.message == message


def test_cut_frames_and_ends_are_counted() -> None:
    reader = PcapReader("made.pcap")
    read(reader, [pcap([Stamped(START_NS + 5, b"a", 9), Stamped(START_NS, b"b")])])
    facts = reader.facts
    assert (facts.frames, facts.cut_frames) == (2, 1)
    assert (facts.first_ns, facts.last_ns) == (START_NS, START_NS + 5)


def test_only_the_four_magics_look_like_a_capture() -> None:
    assert looks_pcap(WORKED)
    assert not looks_pcap(b"\xa1\xb2\xc3")
