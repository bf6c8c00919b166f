"""Packets that came in fragments, put together again (RFC 791 section 3.2, RFC 8200 section 4.5).

Fragments are rare where TCP runs, so this goes packet by packet. What waits is bounded: so many
packets, each of 64 KiB at the most, for so long.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from decoders.captures.ip_headers import RAW, IpPackets
from decoders.captures.pcap_frames import Frames

_MOST_WAITING = 64
_PATIENCE_NS = 60_000_000_000  # RFC 8200 section 4.5: 60 seconds
_MOST_BYTES = 1 << 16

_Key = tuple[bytes, int, int]  # addresses, identity, protocol


@dataclass(slots=True)
class _Waiting:
    """A packet of which fragments are missing."""

    since_ns: int
    header: bytes  # IP header of the first fragment, without what says that it is one
    parts: dict[int, bytes] = field(default_factory=dict)  # by offset
    total: int | None = None  # known once the last fragment came


@dataclass(slots=True)
class FragmentFacts:
    """What became of fragments."""

    fragments: int = 0
    put_together: int = 0
    given_up: int = 0  # packets of which fragments were missing


class Fragments:
    """A fold from fragments to whole packets, as frames of the link type RAW."""

    def __init__(self) -> None:
        self.facts = FragmentFacts()
        self._waiting: dict[_Key, _Waiting] = {}

    def feed(self, frames: Frames, found: IpPackets) -> list[tuple[int, bytes]]:
        """Take the fragments of some frames; return the packets they complete.

        Returns:
            For each the row of the frame that completed it, and its bytes, header first.
        """
        whole = []
        for k in range(len(found)):
            packet = self._take(frames, found, k)
            if packet is not None:
                whole.append((int(found.row[k]), packet))
        return whole

    def finish(self) -> None:
        """Count what was never completed."""
        self.facts.given_up += len(self._waiting)
        self._waiting.clear()

    def _take(self, frames: Frames, found: IpPackets, k: int) -> bytes | None:
        self.facts.fragments += 1
        t_ns = int(frames.t_ns[found.row[k]])
        self._give_up(t_ns)
        if found.captured[k] < found.end[k]:
            return None  # cut by the capture: the packet will not be whole
        at, begin, end = int(found.address[k]), int(found.begin[k]), int(found.end[k])
        is_6 = bool(found.is_6[k])
        addresses = frames.data[at : at + (32 if is_6 else 8)].tobytes()
        protocol = int(found.protocol[k])
        key = addresses, int(found.identity[k]), protocol
        waiting = self._waiting.get(key)
        if waiting is None:
            waiting = self._waiting[key] = _Waiting(t_ns, _header(is_6, protocol, addresses))
        offset = int(found.fragment[k])
        waiting.parts.setdefault(offset, frames.data[begin:end].tobytes())
        if not found.more[k]:
            waiting.total = offset + end - begin
        packet = _put_together(waiting)
        if packet is not None:
            del self._waiting[key]
            self.facts.put_together += 1
        return packet

    def _give_up(self, now_ns: int) -> None:
        """Forget what has waited too long, and the oldest where too many wait."""
        while self._waiting:
            key = next(iter(self._waiting))
            is_late = now_ns - self._waiting[key].since_ns > _PATIENCE_NS
            if not is_late and len(self._waiting) < _MOST_WAITING:
                return
            del self._waiting[key]
            self.facts.given_up += 1


def _put_together(waiting: _Waiting) -> bytes | None:
    """The whole packet, or None while something of it is missing; of overlaps the first stays."""
    if waiting.total is None or waiting.total > _MOST_BYTES:
        return None
    body = bytearray()
    for offset in sorted(waiting.parts):
        if offset > len(body):
            return None
        body += waiting.parts[offset][len(body) - offset :]
    if len(body) < waiting.total:
        return None
    return _with_length(waiting.header, bytes(body[: waiting.total]))


def _header(is_6: bool, protocol: int, addresses: bytes) -> bytes:
    """A plain IP header for these; its length is still to be said."""
    if is_6:
        return bytes([0x60, 0, 0, 0, 0, 0, protocol, 64]) + addresses
    return bytes([0x45, 0, 0, 0, 0, 0, 0, 0, 64, protocol, 0, 0]) + addresses


def _with_length(header: bytes, body: bytes) -> bytes:
    # 0 stands for a length that 16 bits cannot say, as for segments left to the network card
    size = len(body) + (20 if len(header) == 20 else 0)
    size = size if size <= 0xFFFF else 0
    at = 2 if len(header) == 20 else 4
    return header[:at] + size.to_bytes(2, "big") + header[at + 2 :] + body


def as_frames(frames: Frames, whole: list[tuple[int, bytes]]) -> Frames:
    """Frames for packets that were put together, each with the stamp of what completed it."""
    rows = np.array([row for row, _ in whole], np.int64)
    sizes = np.array([len(packet) for _, packet in whole], np.int64)
    return Frames(
        number=frames.number[rows],
        t_ns=frames.t_ns[rows],
        link=np.full(len(rows), RAW, np.int64),
        start=np.cumsum(sizes) - sizes,
        length=sizes,
        wire_length=sizes,
        data=np.frombuffer(b"".join(packet for _, packet in whole), np.uint8),
    )
