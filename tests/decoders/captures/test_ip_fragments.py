"""Fragments whose headers are packed by an independent packet library (dpkt)."""

from __future__ import annotations

import random

import pytest
from dpkt.ip import IP, IP_PROTO_FRAGMENT, IP_PROTO_TCP
from dpkt.ip6 import IP6, IP6FragmentHeader
from dpkt.tcp import TCP
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.pcap import PcapReader
from decoders.captures.tcp_segments import SegmentDecoder
from tests.decoders.captures.network_files import START_NS, Stamped, payloads, pcap

BODY = bytes(range(256)) * 6
SEGMENT = bytes(TCP(data=BODY))
EIGHTS = 8  # offsets count units of 8 bytes: RFC 791 section 3.2, RFC 8200 section 4.5


def fours(size: int, identity: int = 7) -> list[bytes]:
    """A segment in fragments of `size` bytes, a multiple of 8 (RFC 791 section 3.2)."""
    ends = {"src": bytes([10, 0, 0, 7]), "dst": bytes([10, 0, 0, 1])}
    return [
        bytes(IP(**ends, id=identity, p=IP_PROTO_TCP, mf=more, offset=at // EIGHTS, data=data))
        for at, more, data in parts(size)
    ]


def sixes(size: int, identity: int = 7) -> list[bytes]:
    """The same with the fragment header of RFC 8200 section 4.5."""
    ends = {"src": b"\xfd" + bytes(14) + b"\x07", "dst": b"\xfd" + bytes(14) + b"\x01"}
    found = []
    for at, more, data in parts(size):
        header = IP6FragmentHeader(nxt=IP_PROTO_TCP, id=identity, frag_off=at // EIGHTS)
        header.m_flag = more
        body = bytes(header) + data
        packet = IP6(**ends, nxt=IP_PROTO_FRAGMENT, plen=len(body), hlim=64, data=body)
        found.append(bytes(packet))
    return found


def parts(size: int) -> list[tuple[int, bool, bytes]]:
    """Offset, whether more follow, and bytes of each part of the segment."""
    begins = range(0, len(SEGMENT), size)
    return [(at, at + size < len(SEGMENT), SEGMENT[at : at + size]) for at in begins]


FOUR, SIX = fours(256), sixes(352)


def decoded(frames: list[bytes], seconds_between: int = 0) -> tuple[list[bytes], SegmentDecoder]:
    decoder, reader, found = SegmentDecoder(), PcapReader("made"), []
    step_ns = seconds_between * 10**9
    stamped = [Stamped(START_NS + k * step_ns, frame) for k, frame in enumerate(frames)]
    file = pcap(stamped)
    for at in range(0, len(file), 700):
        found += payloads(decoder.feed(reader.feed(file[at : at + 700])))
    decoder.finish()
    return found, decoder


@pytest.mark.parametrize("packets", [FOUR, SIX], ids=["IPv4", "IPv6"])
@settings(deadline=None)
@given(order=st.randoms(use_true_random=False))
def test_fragments_make_the_packet_in_any_order(packets: list[bytes], order: random.Random) -> None:
    frames = list(packets)
    order.shuffle(frames)
    found, decoder = decoded(frames)
    assert found == [BODY]
    facts = decoder.fragments
    assert (facts.fragments, facts.put_together, facts.given_up) == (len(frames), 1, 0)


def test_the_headers_of_the_library_say_where_each_fragment_belongs() -> None:
    assert [frame[6:8].hex() for frame in (FOUR[0], FOUR[1], FOUR[-1])] == ["2000", "2020", "00c0"]
    assert [frame[40:48].hex() for frame in (SIX[0], SIX[-1])] == [
        "0600000100000007",
        "0600058000000007",
    ]


def test_a_repeated_fragment_changes_nothing() -> None:
    assert decoded([FOUR[0], FOUR[0], FOUR[2], *FOUR[1:]])[0] == [BODY]


def test_a_packet_that_lacks_a_fragment_is_given_up() -> None:
    found, decoder = decoded(FOUR[1:])
    assert (found, decoder.fragments.given_up) == ([], 1)


def test_a_fragment_that_comes_after_a_minute_is_too_late() -> None:
    found, decoder = decoded(FOUR, seconds_between=20)
    assert (found, decoder.fragments.put_together) == ([], 0)
    assert decoder.fragments.given_up > 0


def test_no_more_than_so_many_packets_wait() -> None:
    frames = [fours(800, identity)[0] for identity in range(1, 200)]
    assert decoded(frames)[1].fragments.given_up == 199
