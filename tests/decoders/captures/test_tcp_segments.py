from __future__ import annotations

import ipaddress

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.pcap import PcapReader
from decoders.captures.tcp_segments import ACK, FIN, RST, SYN, SegmentDecoder
from tests.decoders.captures.network_files import (
    RAW,
    START_NS,
    Stamped,
    Talk,
    ip,
    payloads,
    pcap,
    pieces,
    segments_of,
    tcp,
)

PORTS = (50112, 1883)


def decoded(*packets: bytes, link: int = RAW) -> SegmentDecoder:
    decoder = SegmentDecoder()
    frames = [Stamped(START_NS, packet) for packet in packets]
    decoder.feed(PcapReader("made").feed(pcap(frames, link=link)))
    decoder.finish()
    return decoder


# RFC 9293 section 3.1: the header's fields; sequence numbers have all 32 bits.
def test_numbers_and_flags_are_those_of_the_header() -> None:
    packet = ip("10.0.0.7", "10.0.0.1", tcp(PORTS, 0xFFFFFFFE, 0x80000001, 0xFF, b"mqtt"))
    found = segments_of([Stamped(START_NS, b"\x45"), Stamped(START_NS + 5, packet)])
    assert (found.number.tolist(), found.t_ns.tolist()) == ([2], [START_NS + 5])
    assert (found.seq.tolist(), found.ack.tolist()) == ([0xFFFFFFFE], [0x80000001])
    assert found.flags.tolist() == [FIN | SYN | RST | ACK]
    assert payloads(found) == [b"mqtt"]


@pytest.mark.parametrize(
    ("source", "target"), [("10.0.0.7", "192.168.255.1"), ("fd00::7", "2001:db8::ffff:1")]
)
def test_ends_are_both_addresses_in_16_bytes_and_the_ports(source: str, target: str) -> None:
    found = segments_of([Stamped(START_NS, ip(source, target, tcp(PORTS, 0, 0, ACK)))])
    words = found.ends[0].astype(">u8").tobytes()
    mapped = [
        address if ":" in address else f"::ffff:{address}"  # RFC 4291 section 2.5.5.2
        for address in (source, target)
    ]
    assert words[:32] == b"".join(ipaddress.IPv6Address(each).packed for each in mapped)
    assert int(found.ends[0, 4]) == PORTS[0] << 16 | PORTS[1]


def test_both_versions_of_ip_keep_the_order_of_frames() -> None:
    packets = [
        ip(*ends, tcp(PORTS, 0, 0, ACK, bytes([k])))
        for k, ends in enumerate([("fd00::7", "fd00::1"), ("10.0.0.7", "10.0.0.1")] * 3)
    ]
    found = segments_of([Stamped(START_NS, packet) for packet in packets])
    assert payloads(found) == [bytes([k]) for k in range(6)]


@pytest.mark.parametrize("captured", [24, 30, 39])
def test_a_segment_without_its_whole_header_is_counted_and_left_out(captured: int) -> None:
    packet = ip("10.0.0.7", "10.0.0.1", tcp(PORTS, 0, 0, ACK, b"mqtt"))
    decoder = decoded(packet[:captured], packet)
    assert (decoder.facts.headless, decoder.facts.segments) == (1, 1)


def test_link_types_that_are_not_known_are_noted() -> None:
    assert decoded(bytes(60), link=105).facts.links == {105}
    assert decoded(bytes(60)).facts.links == set()


def test_an_offset_behind_the_packet_leaves_no_payload() -> None:
    segment = bytearray(tcp(PORTS, 0, 0, ACK, b"mqtt"))
    segment[12] = 0xF0  # a header of 60 bytes, of which 24 are there
    found = segments_of([Stamped(START_NS, ip("10.0.0.7", "10.0.0.1", bytes(segment)))])
    assert (found.length.tolist(), found.lacking.tolist()) == ([0], [0])


def test_between_gives_views_of_some_rows() -> None:
    found = segments_of(Talk().open().says(b"one", b"two").frames)
    part = found.between(3, 5)
    assert payloads(part) == [b"one", b"two"]
    assert np.shares_memory(part.seq, found.seq)


TALK = Talk().open().says(b"one", b"two" * 40).hears(b"ok").close().frames
FILE = pcap(TALK)


@settings(deadline=None)
@given(cuts=st.lists(st.integers(0, len(FILE)), max_size=8))
def test_segments_do_not_depend_on_how_the_file_is_cut(cuts: list[int]) -> None:
    reader, decoder = PcapReader("made"), SegmentDecoder()
    parts = [decoder.feed(reader.feed(chunk)) for chunk in pieces(FILE, cuts)]
    whole = segments_of(TALK)
    assert [data for part in parts for data in payloads(part)] == payloads(whole)
    for name in ("number", "t_ns", "seq", "ack", "flags", "lacking"):
        joined = np.concatenate([getattr(part, name) for part in parts])
        assert joined.tolist() == getattr(whole, name).tolist()
