"""From link headers to IP packets, as columns: which frames carry one, and what is in it.

Link types by the registry "Packet CAPture (PCAP)" of IANA; IPv4 by RFC 791, IPv6 and its extension
headers by RFC 8200, VLAN tags by IEEE 802.1Q. A frame that carries something else has no row.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from decoders.captures.pcap_frames import Bytes, Frames, Int64s

Bools = npt.NDArray[np.bool_]

NULL, ETHERNET, RAW, LOOP, SLL, IPV4, IPV6, SLL2 = 0, 1, 101, 108, 113, 228, 229, 276
_OLD_RAW = (12, 14)  # what some systems write for RAW
LINKS = (NULL, ETHERNET, RAW, *_OLD_RAW, LOOP, SLL, IPV4, IPV6, SLL2)

_FAMILIES = (2, 10, 24, 28, 30)  # AF_INET, and AF_INET6 as systems number it
_TYPES = (0x0800, 0x86DD)  # EtherTypes of IPv4 and IPv6
_VLAN = (0x8100, 0x88A8, 0x9100)  # tags: customer, provider, what stood for that before
_MOST_TAGS = 4
_MOST_EXTENSIONS = 8
_HOP, _ROUTING, _FRAGMENT, _AUTHENTICATION, _DESTINATION = 0, 43, 44, 51, 60
_EXTENSIONS = (_HOP, _ROUTING, _FRAGMENT, _AUTHENTICATION, _DESTINATION)


@dataclass(frozen=True, slots=True, eq=False)
class IpPackets:
    """IP packets in frame order; n rows, n may be 0. Offsets are into the frames' data."""

    row: Int64s  # [n] of the frame
    header: Int64s  # [n] where the IP header begins
    protocol: Int64s  # [n] of what it carries: 6 is TCP
    begin: Int64s  # [n] where that begins
    end: Int64s  # [n] where it ends by the header; behind `captured` where the frame was cut
    captured: Int64s  # [n] where the captured bytes of it end
    address: Int64s  # [n] where source and destination address stand, one after the other
    is_6: Bools  # [n] 16 bytes an address, else 4
    fragment: Int64s  # [n] offset of a fragment in bytes; -1: a whole packet
    more: Bools  # [n] whether fragments follow
    identity: Int64s  # [n] of the packet a fragment belongs to

    def __len__(self) -> int:
        return len(self.row)

    def only(self, which: Bools | Int64s) -> IpPackets:
        """Some of the rows."""
        return IpPackets(*(getattr(self, name)[which] for name in self.__slots__))


def windows(data: Bytes, at: Int64s, width: int) -> Bytes:
    """uint8[k, width]: the bytes from each of k offsets on.

    An offset too near the end of the data gives other bytes: whether a header is whole must be
    known from elsewhere.
    """
    if len(data) < width:
        data = np.concatenate([data, np.zeros(width, np.uint8)])
    rows: Bytes = sliding_window_view(data, width)[np.minimum(at, len(data) - width)]
    return rows


def big_endian(rows: Bytes, first: int, size: int) -> Int64s:
    """The number in columns first to first + size of each row; size is 1, 2 or 4."""
    if size == 1:
        return rows[:, first].astype(np.int64)
    part = np.ascontiguousarray(rows[:, first : first + size])
    return part.view(f">u{size}")[:, 0].astype(np.int64)


def byte_at(data: Bytes, at: Int64s) -> Int64s:
    """The byte at each offset; see `windows`."""
    return big_endian(windows(data, at, 1), 0, 1)


def u16_at(data: Bytes, at: Int64s) -> Int64s:
    """The big-endian u16 at each offset; see `windows`."""
    return big_endian(windows(data, at, 2), 0, 2)


def u32_at(data: Bytes, at: Int64s) -> Int64s:
    """The big-endian u32 at each offset; see `windows`."""
    return big_endian(windows(data, at, 4), 0, 4)


def ip_packets(frames: Frames) -> IpPackets:
    """The IP packets in some frames; of a packet in fragments every fragment."""
    row, header = _network_layer(frames)
    end = (frames.start + frames.length)[row]
    version = byte_at(frames.data, header) >> 4
    four = (version == 4) & (end - header >= 20)
    six = (version == 6) & (end - header >= 40)
    parts = [
        _version_4(frames.data, row[four], header[four], end[four]),
        _version_6(frames.data, row[six], header[six], end[six]),
    ]
    return _in_order(parts) if len(parts[1]) else parts[0]


def _in_order(parts: list[IpPackets]) -> IpPackets:
    columns = [
        np.concatenate([getattr(part, name) for part in parts]) for name in IpPackets.__slots__
    ]
    joined = IpPackets(*columns)
    return joined.only(np.argsort(joined.row, kind="stable"))


def _network_layer(frames: Frames) -> tuple[Int64s, Int64s]:
    """The frames that may carry an IP packet, and where it begins."""
    data, at = frames.data, frames.start
    rows: list[Int64s] = []
    begins: list[Int64s] = []
    for link in np.unique(frames.link).tolist():
        row = np.flatnonzero(frames.link == link)
        start = at[row]
        if link in (RAW, IPV4, IPV6, *_OLD_RAW):
            begin, good = start, np.ones(len(row), np.bool_)
        elif link in (NULL, LOOP):
            begin, good = start + 4, _is_ip_family(data, start)
        elif link in (ETHERNET, SLL, SLL2):
            type_at, header = {ETHERNET: (12, 14), SLL: (14, 16), SLL2: (0, 20)}[link]
            begin, good = _behind_tags(data, u16_at(data, start + type_at), start + header)
        else:
            continue
        good &= begin < start + frames.length[row]
        rows.append(row[good])
        begins.append(begin[good])
    if not rows:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    row, begin = np.concatenate(rows), np.concatenate(begins)
    order = np.argsort(row, kind="stable")
    return row[order], begin[order]


def _is_ip_family(data: Bytes, at: Int64s) -> Bools:
    """Whether the address family, in whichever byte order, is one of IP."""
    big = u32_at(data, at)
    little = np.frombuffer(big.astype("<u4").tobytes(), ">u4").astype(np.int64)
    return np.isin(big, _FAMILIES) | np.isin(little, _FAMILIES)


def _behind_tags(data: Bytes, kind: Int64s, begin: Int64s) -> tuple[Int64s, Bools]:
    """Where the packet begins behind VLAN tags, and whether it is one of IP."""
    for _ in range(_MOST_TAGS):
        tagged = np.isin(kind, _VLAN)
        if not tagged.any():
            break
        kind = np.where(tagged, u16_at(data, begin + 2), kind)
        begin = begin + 4 * tagged
    return begin, np.isin(kind, _TYPES)


def _version_4(data: Bytes, row: Int64s, at: Int64s, frame_end: Int64s) -> IpPackets:
    fixed = windows(data, at, 20)
    header = (big_endian(fixed, 0, 1) & 0x0F) * 4
    total = big_endian(fixed, 2, 2)
    # segmentation left to the network card is captured with a length of 0
    end = np.where(total == 0, frame_end, at + total)
    word = big_endian(fixed, 6, 2)
    offset, more = (word & 0x1FFF) * 8, (word & 0x2000) != 0
    found = IpPackets(
        row=row,
        header=at,
        protocol=big_endian(fixed, 9, 1),
        begin=at + header,
        end=end,
        captured=np.minimum(frame_end, end),
        address=at + 12,
        is_6=np.zeros(len(row), np.bool_),
        fragment=np.where((offset > 0) | more, offset, -1),
        more=more,
        identity=big_endian(fixed, 4, 2),
    )
    return found.only((header >= 20) & (found.begin <= end))


def _version_6(data: Bytes, row: Int64s, at: Int64s, frame_end: Int64s) -> IpPackets:
    length = u16_at(data, at + 4)
    end = np.where(length == 0, frame_end, at + 40 + length)
    kind, begin = byte_at(data, at + 6), at + 40
    fragment, more = np.full(len(row), -1, np.int64), np.zeros(len(row), np.bool_)
    identity = np.zeros(len(row), np.int64)
    for _ in range(_MOST_EXTENSIONS):
        extended = np.isin(kind, _EXTENSIONS) & (begin < frame_end) & (fragment <= 0)
        if not extended.any():
            break
        is_fragment = extended & (kind == _FRAGMENT)
        word = u16_at(data, begin + 2)
        fragment = np.where(is_fragment, word & 0xFFF8, fragment)
        more = np.where(is_fragment, (word & 1) != 0, more)
        identity = np.where(is_fragment, u32_at(data, begin + 4), identity)
        units = byte_at(data, begin + 1)
        size = np.where(kind == _AUTHENTICATION, (units + 2) * 4, (units + 1) * 8)
        size = np.where(is_fragment, 8, size)
        kind = np.where(extended, byte_at(data, begin), kind)
        begin = np.where(extended, begin + size, begin)
        if (is_fragment & more).any():  # what follows in a fragment may be cut anywhere
            break
    fragment = np.where((fragment == 0) & ~more, -1, fragment)  # an atomic one, RFC 6946
    found = IpPackets(
        row=row,
        header=at,
        protocol=kind,
        begin=begin,
        end=end,
        captured=np.minimum(frame_end, end),
        address=at + 8,
        is_6=np.ones(len(row), np.bool_),
        fragment=fragment,
        more=more,
        identity=identity,
    )
    return found.only(found.begin <= end)
