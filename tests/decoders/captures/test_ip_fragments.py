"""Fragments made by an independent packet library (scapy)."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.inet import IP, TCP, fragment
from scapy.layers.inet6 import IPv6, IPv6ExtHdrFragment, fragment6
from scapy.packet import Packet, Raw

from decoders.captures.pcap import PcapReader
from decoders.captures.tcp_segments import SegmentDecoder
from tests.decoders.captures.network_files import START_NS, Stamped, payloads, pcap

BODY = bytes(range(256)) * 6


def fours(packet: Packet, size: int) -> list[bytes]:
    return [bytes(part) for part in fragment(packet, fragsize=size)]  # type: ignore[no-untyped-call]


def sixes(packet: Packet, size: int) -> list[bytes]:
    return [bytes(part) for part in fragment6(packet, size)]  # type: ignore[no-untyped-call]


FOUR = fours(IP(src="10.0.0.7", dst="10.0.0.1", id=7) / TCP() / Raw(BODY), 256)
SIX = sixes(IPv6(src="fd00::7", dst="fd00::1") / IPv6ExtHdrFragment(id=7) / TCP() / Raw(BODY), 400)


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
    frames = [fours(IP(id=k) / TCP() / Raw(BODY), 800)[0] for k in range(1, 200)]
    assert decoded(frames)[1].fragments.given_up == 199
