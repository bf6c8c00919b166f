from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.pcapng import PcapngReader, looks_pcapng
from decoders.errors import CaptureError
from tests.decoders.captures.network_files import (
    START_NS,
    Stamped,
    block,
    enhanced,
    interface,
    pcapng,
    pieces,
    read,
    section,
)

# Internet-Draft draft-ietf-opsawg-pcapng; the same bytes read by dpkt 1.9.8, which gives
# 1700000000.2500002 for the time.
WORKED = bytes.fromhex(
    "0a0d0d0a 1c000000 4d3c2b1a 01000000 ffffffff ffffffff 1c000000"
    "01000000 20000000 01000000 ffff0000 09000100 09000000 00000000 20000000"
    "06000000 30000000 00000000 fe9c9717 fbb21045 0f000000 3c000000"
    "00010203 04050607 08090a0b 0c0d0e00 30000000"
)


def frames(*chunks: bytes) -> list[tuple[int, int, int, bytes, int]]:
    return read(PcapngReader("made.pcapng"), chunks)


def test_the_worked_example_is_exact_to_the_nanosecond() -> None:
    assert frames(WORKED) == [(1, 1_700_000_000_250_000_123, 1, bytes(range(15)), 60)]


def test_a_unit_of_a_power_of_two_and_an_offset_are_taken_in() -> None:
    # 1/1024 s, -3600 s: 1699996400.25 s (dpkt 1.9.8).
    described = bytes.fromhex(
        "01000000 2c000000 71000000 00000000 09000100 8a000000"
        "0e000800 f0f1ffff ffffffff 00000000 2c000000"
    )
    found = frames(section() + described + enhanced(1_700_000_000 * 1024 + 256, b"x"))
    assert found[0][1:3] == (1_699_996_400_250_000_000, 113)


@pytest.mark.parametrize(
    ("resolution", "ticks", "t_ns"),
    [
        (None, 1_700_000_000_250_001, 1_700_000_000_250_001_000),  # microseconds if not said
        (0, 1_700_000_000, 1_700_000_000_000_000_000),
        (3, 1_700_000_000_250, 1_700_000_000_250_000_000),
        (9, 1_700_000_000_250_000_123, 1_700_000_000_250_000_123),
        (12, 1_700_000_000_250_999, 1_700_000_000_250),  # picoseconds
        (0x80 | 32, (5 << 32) | 1 << 31, 5_500_000_000),
        (0x80 | 63, 1 << 62, 500_000_000),
    ],
)
def test_every_unit_of_stamps_gives_whole_nanoseconds(
    resolution: int | None, ticks: int, t_ns: int
) -> None:
    described = interface(resolution=resolution)
    assert frames(section(), described, enhanced(ticks, b"x"))[0][1] == t_ns


def test_byte_order_and_interfaces_start_over_with_a_section() -> None:
    little = section() + interface(1) + interface(113) + enhanced(START_NS, b"a", which=1)
    big = section(order=">") + interface(276, order=">")
    big += enhanced(START_NS + 1, b"bc", order=">")
    assert [row[1:4] for row in frames(little + big)] == [
        (START_NS, 113, b"a"),
        (START_NS + 1, 276, b"bc"),
    ]


def test_blocks_of_other_kinds_are_passed_over() -> None:
    statistics = block(5, bytes(12)) + block(0xBAD, b"abc") + block(4, bytes(4))
    file = section() + statistics + interface() + statistics + enhanced(7, b"x") + statistics
    assert [row[1] for row in frames(file)] == [7]


def test_a_simple_packet_stands_at_the_time_before_it_and_is_counted() -> None:
    simple = block(3, struct.pack("<I", 9) + b"abcd")
    reader = PcapngReader("made.pcapng")
    file = section() + interface(snap=4) + enhanced(START_NS, b"x") + simple
    assert read(reader, [file])[1] == (2, START_NS, 101, b"abcd", 9)
    assert reader.facts.timeless == 1


def test_the_obsolete_packet_block_is_read() -> None:
    body = struct.pack("<HHIIII", 0, 3, START_NS >> 32, START_NS & 0xFFFFFFFF, 2, 5) + b"ab"
    found = frames(section() + interface() + block(2, body))
    assert found == [(1, START_NS, 101, b"ab", 5)]


STAMPED = st.builds(
    Stamped,
    st.integers(0, 2**63 - 1),
    st.binary(max_size=40),
    st.one_of(st.none(), st.integers(40, 90)),
)


@settings(deadline=None)
@given(rows=st.lists(STAMPED, max_size=5), cuts=st.lists(st.integers(0, 500)))
def test_frames_are_what_was_written_however_the_file_is_cut(
    rows: list[Stamped], cuts: list[int]
) -> None:
    expected = [
        (k, t_ns, 101, data, len(data) if wire is None else wire)
        for k, (t_ns, data, wire) in enumerate(rows, 1)
    ]
    assert frames(*pieces(pcapng(rows), cuts)) == expected


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (block(1, bytes(8))[:9], "the file ends in the middle of a block"),
        (b"\x06\0\0\0\x0d\0\0\0" + bytes(8), "a block of 13 bytes"),
        (enhanced(1, b"x", which=4), "a frame of interface 4, which is not described"),
        (enhanced(1, b"x")[:-4] + bytes(4), "a block whose two lengths differ"),
        (block(6, bytes(8)), "a packet block that is too short"),
        (block(1, b""), "an interface description that is too short"),
        (
            block(6, struct.pack("<IIIII", 0, 0, 1, 400, 400)),
            "a frame of 400 bytes in a block of 32",
        ),
    ],
)
def test_damage_stops_the_reading_after_the_good_frames(damage: bytes, message: str) -> None:
    file = section() + interface() + enhanced(START_NS, b"good")
    reader = PcapngReader("made.pcapng")
    assert [row[3] for row in read(reader, [file, damage])] == [b"good"]
    assert reader.stopped is not None
    assert reader.stopped.message == f"byte {len(file):,}: {message}"


@pytest.mark.parametrize("file", [b"", WORKED[:11], b"\x0a\x0d\x0d\x0a" + bytes(30)])
def test_what_does_not_begin_with_a_section_is_refused(file: bytes) -> None:
    with pytest.raises(CaptureError, match="no network capture"):
        frames(file)


def test_a_section_header_looks_like_a_capture_in_either_order() -> None:
    assert looks_pcapng(WORKED)
    assert looks_pcapng(section(order=">"))
    assert not looks_pcapng(b"\r\n\r\n" + WORKED[4:])
