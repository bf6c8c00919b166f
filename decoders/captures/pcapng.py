"""Network captures in the block form (Internet-Draft draft-ietf-opsawg-pcapng), to the ns."""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np

from decoders.captures.pcap_fold import FrameFold
from decoders.captures.pcap_frames import (
    MOST_CAPTURED,
    DamageError,
    Frames,
    Int64s,
)
from decoders.captures.pcapng_stamps import Resolution, resolution_of
from decoders.errors import CaptureError, Place

SECTION, INTERFACE, PACKET, SIMPLE, ENHANCED = 0x0A0D0D0A, 1, 2, 3, 6
_ORDER = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}  # the byte-order magic as it stands
_MOST_BLOCK = MOST_CAPTURED + (1 << 16)
_SECONDS_RESOLUTION, _SECONDS_OFFSET, _END = 9, 14, 0  # options of an interface


def looks_pcapng(head: bytes) -> bool:
    """Whether a file begins with a section header."""
    return head[:4] == b"\x0a\x0d\x0d\x0a" and head[8:12] in _ORDER


@dataclass(frozen=True, slots=True)
class _Interface:
    link: int
    snap_length: int  # 0: no limit
    resolution: Resolution


# Of one frame: number, t_ns, link, start, length, wire length.
_Row = tuple[int, int, int, int, int, int]


class PcapngReader(FrameFold[_Row]):
    """A fold from the bytes of a capture in blocks to frames, however the bytes are cut.

    A simple packet has no stamp: it stands at the time of the frame before it, and is counted.
    Memory is bounded by the chunk, one block and the interfaces of a section.

    Args:
        name: file name, for errors.
    """

    RECORD = "block"
    BEGINS = 12

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self._order = ""  # "" until the first section header is read
        self._interfaces: list[_Interface] = []
        self._last_ns = 0

    def _begin(self, data: bytes) -> int:
        if not looks_pcapng(data):
            raise CaptureError(
                "this is no network capture (pcapng)",
                place=Place(self.name),
                mend="Save the capture again, as pcap or pcapng.",
            )
        return 0

    def _walked(self, data: bytes, at: int, rows: list[_Row]) -> tuple[int, int]:
        """A Python step a block, 0.8 us: the stamp's unit may change with every interface."""
        end = len(data)
        while at + 12 <= end:
            kind, length = self._head(data, at)
            if length % 4 or not 12 <= length <= _MOST_BLOCK:
                raise DamageError(f"a block of {length:,} bytes", at)
            if at + length > end:
                return at, length
            if struct.unpack_from(self._order + "I", data, at + length - 4)[0] != length:
                raise DamageError("a block whose two lengths differ", at)
            if kind == SECTION:
                self._interfaces = []
            elif kind == INTERFACE:
                self._add_interface(data, at, length)
            elif kind in (ENHANCED, PACKET, SIMPLE):
                rows.append(self._frame(kind, data, at, length, self.facts.frames + len(rows) + 1))
            at += length
        return at, 12

    def _head(self, data: bytes, at: int) -> tuple[int, int]:
        """Type and length of a block; a section header says the byte order of all that follow."""
        if data[at : at + 4] == b"\x0a\x0d\x0d\x0a":
            order = _ORDER.get(data[at + 8 : at + 12])
            if order is None:
                raise DamageError("a section header without a byte order", at)
            self._order = order
        kind, length = struct.unpack_from(self._order + "II", data, at)
        return kind, length

    def _add_interface(self, data: bytes, at: int, length: int) -> None:
        if length < 20:
            raise DamageError("an interface description that is too short", at)
        link, _, snap = struct.unpack_from(self._order + "HHI", data, at + 8)
        options = _options(data[at + 16 : at + length - 4], self._order)
        offset = options.get(_SECONDS_OFFSET, b"").ljust(8, b"\0")
        (offset_s,) = struct.unpack(self._order + "q", offset[:8])
        resolution = resolution_of(options.get(_SECONDS_RESOLUTION, b"\x06")[:1], offset_s)
        self._interfaces.append(_Interface(link, snap, resolution))

    def _frame(self, kind: int, data: bytes, at: int, length: int, number: int) -> _Row:
        """The frame of a packet block."""
        fixed = {ENHANCED: 32, PACKET: 32, SIMPLE: 16}[kind]
        if length < fixed:
            raise DamageError("a packet block that is too short", at)
        if kind == SIMPLE:
            (on_wire,) = struct.unpack_from(self._order + "I", data, at + 8)
            interface = self._interface(0, at)
            captured = min(on_wire, interface.snap_length or on_wire, length - fixed)
            self.facts.timeless += 1
            return number, self._last_ns, interface.link, at + 12, captured, on_wire
        which, high, low, captured, on_wire = struct.unpack_from(self._order + "5I", data, at + 8)
        if captured > length - fixed:
            raise DamageError(f"a frame of {captured:,} bytes in a block of {length:,}", at)
        # the obsolete packet block has a drop count in the upper half (appendix of the draft)
        which = which if kind == ENHANCED else _upper(which, self._order)
        interface = self._interface(which, at)
        self._last_ns = interface.resolution.ns(high << 32 | low)
        return number, self._last_ns, interface.link, at + 28, captured, max(captured, on_wire)

    def _columns(self, data: bytes, rows: list[_Row]) -> Frames:
        table: Int64s = np.array(rows, np.int64).reshape(-1, 6)
        number, t_ns, link, start, length, wire_length = table.T.copy()
        data_column = np.frombuffer(data, np.uint8)
        return Frames(number, t_ns, link, start, length, wire_length, data_column)

    def _interface(self, which: int, at: int) -> _Interface:
        if which >= len(self._interfaces):
            raise DamageError(f"a frame of interface {which}, which is not described", at)
        return self._interfaces[which]


def _upper(word: int, order: str) -> int:
    """The u16 that stands first of two that were read as one u32."""
    return word & 0xFFFF if order == "<" else word >> 16


def _options(data: bytes, order: str) -> dict[int, bytes]:
    """Options by code; of equal ones the last."""
    found: dict[int, bytes] = {}
    at = 0
    while at + 4 <= len(data):
        code, length = struct.unpack_from(order + "HH", data, at)
        if code == _END:
            break
        found[code] = data[at + 4 : at + 4 + length]
        at += 4 + (length + 3) // 4 * 4
    return found
