"""Against frames of an independent packet library (scapy)."""

from __future__ import annotations

import struct

import pytest
from scapy.layers.inet import IP, TCP, UDP
from scapy.layers.inet6 import (
    IPv6,
    IPv6ExtHdrDestOpt,
    IPv6ExtHdrHopByHop,
    IPv6ExtHdrRouting,
    PadN,
)
from scapy.layers.l2 import CookedLinux, CookedLinuxV2, Dot1AD, Dot1Q, Ether, Loopback
from scapy.packet import Packet, Raw

from tests.decoders.captures.network_files import START_NS, Stamped, ip, payloads, segments_of, tcp

FOUR = IP(src="10.0.0.7", dst="10.0.0.1") / TCP(sport=50112, dport=1883, flags="PA") / Raw(b"mqtt")
SIX = IPv6(src="fd00::7", dst="fd00::1") / TCP(sport=50112, dport=1883, flags="PA") / Raw(b"mqtt")
PAYLOAD = TCP(sport=50112, dport=1883, flags="PA") / Raw(b"mqtt")
PADDED = IPv6ExtHdrHopByHop(options=[PadN(optdata=b"\0" * 12)])

NULL, ETHERNET, RAW, LOOP, SLL, SLL2 = 0, 1, 101, 108, 113, 276
FRAMES = [
    (ETHERNET, Ether() / FOUR),
    (ETHERNET, Ether() / SIX),
    (ETHERNET, Ether() / Dot1Q(vlan=7) / FOUR),
    (ETHERNET, Ether() / Dot1AD(vlan=2) / Dot1Q(vlan=7) / SIX),
    (RAW, FOUR),
    (RAW, SIX),
    (12, FOUR),
    (14, SIX),
    (228, FOUR),
    (229, SIX),
    (SLL, CookedLinux() / FOUR),
    (SLL, CookedLinux() / SIX),
    (SLL2, CookedLinuxV2(proto=0x0800) / FOUR),
    (SLL2, CookedLinuxV2(proto=0x86DD) / SIX),
    (LOOP, Loopback(type=2) / FOUR),
    (ETHERNET, Ether() / IP(options=b"\x01" * 8) / PAYLOAD),
    (ETHERNET, Ether() / IPv6() / IPv6ExtHdrDestOpt() / PAYLOAD),
    (ETHERNET, Ether() / IPv6() / PADDED / IPv6ExtHdrRouting() / PAYLOAD),
    (ETHERNET, Ether() / IP() / TCP(options=[("MSS", 1460), ("NOP", None)]) / Raw(b"mqtt")),
]


def found(link: int, *frames: bytes, wire: int | None = None) -> list[bytes]:
    return payloads(segments_of([Stamped(START_NS, frame, wire) for frame in frames], link=link))


@pytest.mark.parametrize(("link", "frame"), FRAMES, ids=[f"{a}-{b.summary()}" for a, b in FRAMES])
def test_what_tcp_carries_is_found_behind_every_header(link: int, frame: Packet) -> None:
    assert found(link, bytes(frame)) == [b"mqtt"]


@pytest.mark.parametrize("family", [2, 24, 28, 30])
@pytest.mark.parametrize("order", ["<", ">"])
def test_the_family_of_a_null_link_is_read_in_either_order(family: int, order: str) -> None:
    packet = bytes(FOUR if family == 2 else SIX)
    assert found(NULL, struct.pack(order + "I", family) + packet) == [b"mqtt"]


def test_ethernet_padding_is_no_payload() -> None:
    short = Ether() / IP() / TCP()
    assert found(ETHERNET, bytes(short) + bytes(6)) == [b""]


@pytest.mark.parametrize(
    "frame",
    [
        b"",
        b"\x45",
        bytes(Ether(type=0x0806)) + bytes(28),
        bytes(Ether() / IP() / UDP() / Raw(b"mqtt")),
        bytes(Ether() / FOUR)[:14] + b"\x65" + bytes(FOUR)[1:],
        bytes(Ether() / FOUR)[:40],
    ],
)
def test_what_is_no_tcp_over_ip_has_no_row(frame: bytes) -> None:
    assert found(ETHERNET, frame, bytes(Ether() / FOUR)) == [b"mqtt"]


def test_segmentation_left_to_the_network_card_has_a_length_of_zero() -> None:
    packet = bytearray(ip("10.0.0.7", "10.0.0.1", tcp((1, 2), 0, 0, 16, b"mqtt")))
    packet[2:4] = bytes(2)
    assert found(RAW, bytes(packet)) == [b"mqtt"]


def test_what_the_capture_cut_is_counted_as_lacking() -> None:
    segments = segments_of([Stamped(START_NS, bytes(FOUR)[:-3], len(FOUR))])
    assert (segments.length.tolist(), segments.lacking.tolist()) == ([1], [3])
