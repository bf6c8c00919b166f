"""Network captures made by hand: files, frames, and both sides of TCP connections."""

from __future__ import annotations

import ipaddress
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from decoders.captures.pcap import PcapReader
from decoders.captures.pcap_frames import FrameReader
from decoders.captures.tcp_segments import ACK, FIN, RST, SYN, SegmentDecoder, Segments

START_NS = 1_700_000_000_000_000_000
RAW = 101
PUSH = 8


class Stamped(NamedTuple):
    """A frame and its time."""

    t_ns: int
    data: bytes
    wire_length: int | None = None  # where it was cut


def pcap(
    frames: Iterable[Stamped], *, link: int = RAW, big: bool = False, nano: bool = True
) -> bytes:
    """A classic capture."""
    order = ">" if big else "<"
    magic = 0xA1B23C4D if nano else 0xA1B2C3D4
    parts = [struct.pack(order + "IHHIIII", magic, 2, 4, 0, 0, 1 << 18, link)]
    for t_ns, data, wire in frames:
        seconds, ns = divmod(t_ns, 10**9)
        fraction = ns if nano else ns // 1000
        lengths = len(data), len(data) if wire is None else wire
        parts.append(struct.pack(order + "IIII", seconds, fraction, *lengths) + data)
    return b"".join(parts)


def block(kind: int, body: bytes, *, order: str = "<") -> bytes:
    """A block of a pcapng file."""
    padded = body + bytes(-len(body) % 4)
    length = struct.pack(order + "I", len(padded) + 12)
    return struct.pack(order + "I", kind) + length + padded + length


def section(*, order: str = "<") -> bytes:
    """A section header."""
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1), order=order)


def interface(
    link: int = RAW,
    *,
    resolution: int | None = 9,
    offset_s: int | None = None,
    snap: int = 0,
    order: str = "<",
) -> bytes:
    """An interface description."""
    options = b""
    if resolution is not None:
        options += struct.pack(order + "HHB3x", 9, 1, resolution)
    if offset_s is not None:
        options += struct.pack(order + "HHq", 14, 8, offset_s)
    options += bytes(4) if options else b""
    return block(1, struct.pack(order + "HHI", link, 0, snap) + options, order=order)


def enhanced(
    ticks: int, data: bytes, *, which: int = 0, wire: int | None = None, order: str = "<"
) -> bytes:
    """An enhanced packet."""
    lengths = len(data), len(data) if wire is None else wire
    head = struct.pack(order + "IIIII", which, ticks >> 32, ticks & 0xFFFFFFFF, *lengths)
    return block(6, head + data, order=order)


def pcapng(frames: Iterable[Stamped], *, link: int = RAW) -> bytes:
    """A capture in blocks, with stamps in ns."""
    blocks = [section(), interface(link)]
    blocks += [enhanced(t_ns, data, wire=wire) for t_ns, data, wire in frames]
    return b"".join(blocks)


def ip(source: str, target: str, payload: bytes, *, protocol: int = 6, more: bytes = b"") -> bytes:
    """An IP packet; `more` are extension headers of IPv6, or options of IPv4."""
    one, two = ipaddress.ip_address(source), ipaddress.ip_address(target)
    if one.version == 6:
        head = struct.pack(">IHBB", 6 << 28, len(more) + len(payload), protocol, 64)
        return head + one.packed + two.packed + more + payload
    words = 5 + len(more) // 4
    total = words * 4 + len(payload)
    head = struct.pack(">BBHHHBBH", 0x40 | words, 0, total, 7, 0x4000, 64, protocol, 0)
    return head + one.packed + two.packed + more + payload


def tcp(ports: tuple[int, int], seq: int, ack: int, flags: int, payload: bytes = b"") -> bytes:
    """A TCP segment without options."""
    seq, ack = seq % 2**32, ack % 2**32
    return struct.pack(">HHIIBBHHH", *ports, seq, ack, 0x50, flags, 65535, 0, 0) + payload


@dataclass
class Talk:
    """A connection of two ends; what they say becomes frames, 1 ms apart unless said otherwise."""

    client: str = "10.0.0.7"
    broker: str = "10.0.0.1"
    port: int = 50112
    broker_port: int = 1883
    t_ns: int = START_NS
    step_ns: int = 1_000_000
    seq: list[int] = field(default_factory=lambda: [4_294_967_000, 70_000])  # one of them wraps
    frames: list[Stamped] = field(default_factory=list)

    def wait(self, seconds: float) -> Talk:
        """Let time pass."""
        self.t_ns += round(seconds * 1e9)
        return self

    def send(self, side: int, payload: bytes = b"", flags: int = ACK) -> Talk:
        """A segment of the client (0) or the broker (1)."""
        self.frames.append(Stamped(self.t_ns, self.packet(side, payload, flags)))
        self.t_ns += self.step_ns
        self.seq[side] += len(payload) + bool(flags & SYN) + bool(flags & FIN)
        return self

    def packet(self, side: int, payload: bytes, flags: int = ACK) -> bytes:
        """The IP packet that the next segment would be."""
        ends = (self.client, self.broker), (self.port, self.broker_port)
        addresses, ports = ends if side == 0 else (ends[0][::-1], ends[1][::-1])
        ack = self.seq[1 - side] if flags & ACK else 0
        return ip(*addresses, tcp((ports[0], ports[1]), self.seq[side], ack, flags, payload))

    def lose(self, side: int, payload: bytes) -> Talk:
        """A segment that the capture does not have."""
        self.send(side, payload)
        self.frames.pop()
        return self

    def open(self) -> Talk:
        """The three-way handshake."""
        return self.send(0, flags=SYN).send(1, flags=SYN | ACK).send(0)

    def says(self, *payloads: bytes) -> Talk:
        """Segments of the client."""
        for payload in payloads:
            self.send(0, payload, ACK | PUSH)
        return self

    def hears(self, *payloads: bytes) -> Talk:
        """Segments of the broker."""
        for payload in payloads:
            self.send(1, payload, ACK | PUSH)
        return self

    def close(self, first: int = 0) -> Talk:
        """One side closes, then the other."""
        return self.send(first, flags=FIN | ACK).send(1 - first, flags=FIN | ACK)

    def reset(self, side: int = 0) -> Talk:
        """One side breaks it off."""
        return self.send(side, flags=RST | ACK)


def in_time(*talks: Talk) -> list[Stamped]:
    """The frames of some connections, by time."""
    return sorted((frame for talk in talks for frame in talk.frames), key=lambda frame: frame.t_ns)


def pieces(data: bytes, cuts: Sequence[int]) -> list[bytes]:
    """Bytes cut at some places."""
    edges = [0, *sorted({min(cut, len(data)) for cut in cuts}), len(data)]
    return [data[a:b] for a, b in pairwise(edges)]


def read(reader: FrameReader, chunks: Iterable[bytes]) -> list[tuple[int, int, int, bytes, int]]:
    """Number, time, link, bytes and length on the wire of all frames."""
    rows = []
    for table in [*map(reader.feed, chunks), reader.finish()]:
        columns = (table.number, table.t_ns, table.link, table.start, table.length)
        spans = zip(*(c.tolist() for c in (*columns, table.wire_length)), strict=True)
        for number, t_ns, link, start, length, wire in spans:
            rows.append((number, t_ns, link, table.data[start : start + length].tobytes(), wire))
    return rows


def segments_of(frames: Iterable[Stamped], *, link: int = RAW) -> Segments:
    """The TCP segments in some frames."""
    decoder = SegmentDecoder()
    found = decoder.feed(PcapReader("made").feed(pcap(frames, link=link)))
    decoder.finish()
    return found


def payloads(segments: Segments) -> list[bytes]:
    """The captured payload of each segment."""
    spans = zip(segments.start.tolist(), segments.length.tolist(), strict=True)
    return [segments.data[a : a + n].tobytes() for a, n in spans]
