"""TCP segments of a network capture, as columns (RFC 9293 section 3.1)."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from decoders.captures.ip_fragments import FragmentFacts, Fragments, as_frames
from decoders.captures.ip_headers import LINKS, IpPackets, big_endian, ip_packets, windows
from decoders.captures.pcap_frames import Bytes, Frames, Int64s

FIN, SYN, RST, ACK = 1, 2, 4, 16
_TCP = 6
_HEADER = 20
_V4_IN_V6 = 0xFFFF  # RFC 4291 section 2.5.5.2: so both kinds of address have one width

Uint64s = npt.NDArray[np.uint64]


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
    """TCP segments in frame order; n rows, n may be 0.

    The payload of row i is data[start[i] : start[i] + length[i]], and then `lacking[i]` bytes that
    were on the wire but not captured.
    """

    number: Int64s  # [n] of the frame
    t_ns: Int64s  # [n]
    ends: Uint64s  # [n, 5] source and destination address (two words each), ports
    seq: Int64s  # [n] 32 bits
    ack: Int64s  # [n]
    flags: Int64s  # [n] FIN, SYN, RST, ACK
    start: Int64s  # [n]
    length: Int64s  # [n]
    lacking: Int64s  # [n]
    data: Bytes

    def __len__(self) -> int:
        return len(self.number)

    def between(self, first: int, last: int) -> Segments:
        """Rows from first on, before last; views."""
        part = slice(first, last)
        columns = {name: getattr(self, name)[part] for name in self.__slots__ if name != "data"}
        return Segments(**columns, data=self.data)


@dataclass(slots=True)
class SegmentFacts:
    """What was in the frames."""

    segments: int = 0
    headless: int = 0  # TCP whose header was cut by the capture
    links: set[int] = field(default_factory=set)  # link types that are not known here


class SegmentDecoder:
    """A fold from frames to TCP segments; fragments are put together on the way."""

    def __init__(self) -> None:
        self.facts = SegmentFacts()
        self._fragments = Fragments()

    @property
    def fragments(self) -> FragmentFacts:
        """What became of fragments."""
        return self._fragments.facts

    def feed(self, frames: Frames) -> Segments:
        """Take the next frames; return the segments in them."""
        self.facts.links.update(set(frames.link.tolist()) - set(LINKS))
        found = ip_packets(frames)
        in_parts = (found.fragment >= 0) & (found.protocol == _TCP)
        if in_parts.any():
            frames, found = self._whole(frames, found, found.only(in_parts))
        segments = self._segments(frames, found)
        self.facts.segments += len(segments)
        return segments

    def finish(self) -> None:
        """Nothing comes any more."""
        self._fragments.finish()

    def _whole(
        self, frames: Frames, found: IpPackets, parts: IpPackets
    ) -> tuple[Frames, IpPackets]:
        """Frames and packets with those added that fragments complete."""
        whole = self._fragments.feed(frames, parts)
        if not whole:
            return frames, found
        frames = _joined(frames, as_frames(frames, whole))
        return frames, ip_packets(frames)

    def _segments(self, frames: Frames, found: IpPackets) -> Segments:
        found = found.only((found.protocol == _TCP) & (found.fragment < 0))
        data = frames.data
        fits = found.captured - found.begin >= _HEADER
        self.facts.headless += int(np.count_nonzero(~fits))
        if not fits.all():
            found = found.only(fits)
        at = found.begin
        header = windows(data, at, _HEADER)
        start = at + (big_endian(header, 12, 1) >> 4) * 4
        length = np.maximum(np.minimum(found.captured, found.end) - start, 0)
        lacking = np.maximum(found.end - start, 0) - length
        return Segments(
            number=frames.number[found.row],
            t_ns=frames.t_ns[found.row],
            ends=_ends(data, found, big_endian(header, 0, 4)),
            seq=big_endian(header, 4, 4),
            ack=big_endian(header, 8, 4),
            flags=big_endian(header, 13, 1) & (FIN | SYN | RST | ACK),
            start=start,
            length=length,
            lacking=lacking,
            data=data,
        )


def _joined(frames: Frames, more: Frames) -> Frames:
    """Two tables of frames as one, by frame number."""
    data = np.concatenate([frames.data, more.data])
    start = np.concatenate([frames.start, more.start + len(frames.data)])
    order = np.argsort(np.concatenate([frames.number, more.number]), kind="stable")
    columns = {
        name: np.concatenate([getattr(frames, name), getattr(more, name)])[order]
        for name in ("number", "t_ns", "link", "length", "wire_length")
    }
    return Frames(**columns, start=start[order], data=data)


def _ends(data: Bytes, found: IpPackets, ports: Int64s) -> Uint64s:
    """Addresses and ports of each packet, see `Segments.ends`."""
    ends = np.zeros((len(found), 5), np.uint64)
    ends[:, 4] = ports
    four = np.flatnonzero(~found.is_6)
    addresses = windows(data, found.address[four], 8)
    ends[four, 1] = big_endian(addresses, 0, 4) | _V4_IN_V6 << 32
    ends[four, 3] = big_endian(addresses, 4, 4) | _V4_IN_V6 << 32
    if len(four) < len(found):
        six = np.flatnonzero(found.is_6)
        ends[six, 0:4] = windows(data, found.address[six], 32).view(">u8")
    return ends
