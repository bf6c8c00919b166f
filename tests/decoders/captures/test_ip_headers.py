"""Against frames of an independent packet library (dpkt)."""

from __future__ import annotations

import socket
import struct

import pytest
from dpkt import sll, sll2
from dpkt.ethernet import ETH_TYPE_ARP, ETH_TYPE_IP, ETH_TYPE_IP6, Ethernet, VLANtag8021Q
from dpkt.ip import (
    IP,
    IP_PROTO_DSTOPTS,
    IP_PROTO_HOPOPTS,
    IP_PROTO_ROUTING,
    IP_PROTO_TCP,
    IP_PROTO_UDP,
)
from dpkt.ip6 import IP6, IP6DstOptsHeader, IP6HopOptsHeader, IP6RoutingHeader
from dpkt.loopback import Loopback
from dpkt.tcp import TCP, TH_ACK, TH_PUSH
from dpkt.udp import UDP

from tests.decoders.captures.network_files import START_NS, Stamped, ip, payloads, segments_of, tcp

NULL, ETHERNET, RAW, LOOP, SLL, SLL2 = 0, 1, 101, 108, 113, 276
PAD_6, PAD_14 = b"\x01\x04" + bytes(4), b"\x01\x0c" + bytes(12)  # PadN, RFC 8200 section 4.2


def segment(data: bytes = b"mqtt", options: bytes = b"") -> TCP:
    found = TCP(sport=50112, dport=1883, flags=TH_PUSH | TH_ACK, opts=options, data=data)
    found.off = 5 + len(options) // 4
    return found


def four(carried: object, *, options: bytes = b"", protocol: int = IP_PROTO_TCP) -> IP:
    ends = {"src": bytes([10, 0, 0, 7]), "dst": bytes([10, 0, 0, 1])}
    return IP(**ends, p=protocol, hl=5 + len(options) // 4, opts=options, data=carried)


def six(*headers: object, first: int = IP_PROTO_TCP) -> IP6:
    """A packet whose extension headers stand before the segment, each naming the next."""
    body = b"".join(map(bytes, (*headers, segment())))
    ends = {"src": b"\xfd" + bytes(14) + b"\x07", "dst": b"\xfd" + bytes(14) + b"\x01"}
    return IP6(**ends, nxt=first, plen=len(body), hlim=64, data=body)


def tagged(packet: object, kind: int, *identities: int) -> Ethernet:
    return Ethernet(type=kind, vlan_tags=[VLANtag8021Q(id=n) for n in identities], data=packet)


FOUR, SIX = four(segment()), six()
DESTINATION = IP6DstOptsHeader(nxt=IP_PROTO_TCP, data=PAD_6)
HOP = IP6HopOptsHeader(nxt=IP_PROTO_ROUTING, len=1, data=PAD_14)
MSS_AND_NOPS = b"\x02\x04\x05\xb4" + b"\x01" * 4  # RFC 9293 section 3.2
FRAMES = {
    "Ethernet, IPv4": (ETHERNET, Ethernet(type=ETH_TYPE_IP, data=FOUR)),
    "Ethernet, IPv6": (ETHERNET, Ethernet(type=ETH_TYPE_IP6, data=SIX)),
    "a VLAN": (ETHERNET, tagged(FOUR, ETH_TYPE_IP, 7)),
    "a VLAN within another": (ETHERNET, tagged(SIX, ETH_TYPE_IP6, 2, 7)),
    "raw IPv4": (RAW, FOUR),
    "raw IPv6": (RAW, SIX),
    "raw under an older number": (12, FOUR),
    "raw under another": (14, SIX),
    "link type IPV4": (228, FOUR),
    "link type IPV6": (229, SIX),
    "cooked, IPv4": (SLL, sll.SLL(ethtype=ETH_TYPE_IP, data=FOUR)),
    "cooked, IPv6": (SLL, sll.SLL(ethtype=ETH_TYPE_IP6, data=SIX)),
    "cooked version 2, IPv4": (SLL2, sll2.SLL2(ethtype=ETH_TYPE_IP, data=FOUR)),
    "cooked version 2, IPv6": (SLL2, sll2.SLL2(ethtype=ETH_TYPE_IP6, data=SIX)),
    "LOOP, family in network order": (LOOP, Loopback(family=socket.htonl(2), data=FOUR)),
    "options of IPv4": (RAW, four(segment(), options=b"\x01" * 8)),
    "options of TCP": (RAW, four(segment(options=MSS_AND_NOPS))),
    "destination options": (RAW, six(DESTINATION, first=IP_PROTO_DSTOPTS)),
    "hop-by-hop options and a route": (
        RAW,
        six(HOP, IP6RoutingHeader(nxt=IP_PROTO_TCP), first=IP_PROTO_HOPOPTS),
    ),
}


def found(link: int, *frames: bytes, wire: int | None = None) -> list[bytes]:
    return payloads(segments_of([Stamped(START_NS, frame, wire) for frame in frames], link=link))


@pytest.mark.parametrize(
    ("link", "frame"),
    [(link, bytes(frame)) for link, frame in FRAMES.values()],
    ids=list(FRAMES),
)
def test_what_tcp_carries_is_found_behind_every_header(link: int, frame: bytes) -> None:
    assert found(link, frame) == [b"mqtt"]


def test_the_frames_of_the_library_have_the_headers_they_are_named_for() -> None:
    single, double = (bytes(FRAMES[name][1]) for name in ("a VLAN", "a VLAN within another"))
    assert single[12:18] == bytes.fromhex("8100 0007 0800")
    assert double[12:22] == bytes.fromhex("88a8 0002 8100 0007 86dd")
    assert bytes(FRAMES["options of IPv4"][1])[0] == 0x47
    assert bytes(FRAMES["options of TCP"][1])[32] == 0x70
    behind = bytes(FRAMES["hop-by-hop options and a route"][1])
    assert (behind[6], behind[40:42], behind[56:58]) == (0, b"\x2b\x01", b"\x06\x00")


@pytest.mark.parametrize("family", [2, 24, 28, 30])
@pytest.mark.parametrize("order", ["<", ">"])
def test_the_family_of_a_null_link_is_read_in_either_order(family: int, order: str) -> None:
    packet = bytes(FOUR if family == 2 else SIX)
    assert found(NULL, struct.pack(order + "I", family) + packet) == [b"mqtt"]


def test_ethernet_padding_is_no_payload() -> None:
    short = Ethernet(type=ETH_TYPE_IP, data=four(segment(b"")))
    assert found(ETHERNET, bytes(short) + bytes(6)) == [b""]


WHOLE = bytes(Ethernet(type=ETH_TYPE_IP, data=FOUR))
DATAGRAM = UDP(sport=50112, dport=1883, data=b"mqtt", ulen=12)


@pytest.mark.parametrize(
    "frame",
    [
        b"",
        b"\x45",
        bytes(Ethernet(type=ETH_TYPE_ARP)) + bytes(28),
        bytes(Ethernet(type=ETH_TYPE_IP, data=four(DATAGRAM, protocol=IP_PROTO_UDP))),
        WHOLE[:14] + b"\x65" + WHOLE[15:],
        WHOLE[:40],
    ],
    ids=["nothing", "one byte", "ARP", "UDP", "version 6 of 20 bytes", "a cut header"],
)
def test_what_is_no_tcp_over_ip_has_no_row(frame: bytes) -> None:
    assert found(ETHERNET, frame, WHOLE) == [b"mqtt"]


def test_segmentation_left_to_the_network_card_has_a_length_of_zero() -> None:
    packet = bytearray(ip("10.0.0.7", "10.0.0.1", tcp((1, 2), 0, 0, 16, b"mqtt")))
    packet[2:4] = bytes(2)
    assert found(RAW, bytes(packet)) == [b"mqtt"]


def test_what_the_capture_cut_is_counted_as_lacking() -> None:
    segments = segments_of([Stamped(START_NS, bytes(FOUR)[:-3], len(bytes(FOUR)))])
    assert (segments.length.tolist(), segments.lacking.tolist()) == ([1], [3])
