"""Network captures in the classic form (Internet-Draft draft-ietf-opsawg-pcap-06), to the ns."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Literal

import numpy as np

from decoders.captures.pcap_fold import FrameFold
from decoders.captures.pcap_frames import MOST_CAPTURED, DamageError, Frames, words_at
from decoders.errors import CaptureError, Place

_HEADER = 24
_RECORD = 16
# First four bytes -> big endian?, ns of one unit of the fraction (section 4).
_MAGIC = {
    b"\xd4\xc3\xb2\xa1": (False, 1000),
    b"\xa1\xb2\xc3\xd4": (True, 1000),
    b"\x4d\x3c\xb2\xa1": (False, 1),
    b"\xa1\xb2\x3c\x4d": (True, 1),
}
_MEND = "Save the capture again, as pcap or pcapng."


def looks_pcap(head: bytes) -> bool:
    """Whether a file begins as a classic capture does."""
    return head[:4] in _MAGIC


class PcapReader(FrameFold[int]):
    """A fold from the bytes of a classic capture to frames, however the bytes are cut.

    Memory is bounded by the chunk and one frame.

    Args:
        name: file name, for errors.
    """

    RECORD = "frame"
    BEGINS = _HEADER

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self._link = 0
        self._big = False
        self._unit_ns = 1000

    def _begin(self, data: bytes) -> int:
        header = data[:_HEADER]
        if header[:4] not in _MAGIC or len(header) < _HEADER:
            what = "the header of the capture is cut short"
            if header[:4] not in _MAGIC:
                what = "this is no network capture (pcap)"
            raise CaptureError(what, place=Place(self.name), mend=_MEND)
        self._big, self._unit_ns = _MAGIC[header[:4]]
        order: Literal["big", "little"] = "big" if self._big else "little"
        major = int.from_bytes(header[4:6], order)
        if major != 2:
            what = f"version {major} of the capture format is not known"
            raise CaptureError(what, place=Place(self.name), mend=_MEND)
        # the upper bits tell of the frame check sequence (section 4, "FCS len")
        self._link = int.from_bytes(header[20:24], order) & 0xFFFF
        return _HEADER

    def _walked(self, data: bytes, at: int, rows: list[int]) -> tuple[int, int]:
        return _walked(data, at, rows, big=self._big)

    def _columns(self, data: bytes, rows: list[int]) -> Frames:
        at, view = np.array(rows, np.int64), np.frombuffer(data, np.uint8)
        seconds, fraction, captured, on_wire = (
            words_at(view, at + offset, big=self._big) for offset in (0, 4, 8, 12)
        )
        first = self.facts.frames + 1
        return Frames(
            number=np.arange(first, first + len(at)),
            t_ns=seconds * 1_000_000_000 + fraction * self._unit_ns,
            link=np.full(len(at), self._link, np.int64),
            start=at + _RECORD,
            length=captured,
            wire_length=np.maximum(on_wire, captured),
            data=view,
        )


def _walked(data: bytes, at: int, starts: list[int], *, big: bool) -> tuple[int, int]:
    """Find the records, each of which says where the next one is.

    A Python step a frame, 0.1 us: as many frames as fit into 1 GB take a second or two.

    Args:
        data: the bytes.
        at: where a record begins.
        starts: gets where each whole record begins.
        big: byte order.

    Returns:
        Where the first record begins that is not whole, and how many bytes it needs.

    Raises:
        DamageError: at a length that cannot be; the records before it stand in `starts`.
    """
    words = _words(data, big=big)
    end, found = len(data), starts.append
    while at + _RECORD <= end:
        length = words[at & 3][(at + 8) >> 2]
        if length > MOST_CAPTURED:
            raise DamageError(f"a frame of {length:,} bytes", at)
        after = at + _RECORD + length
        if after > end:
            return at, _RECORD + length
        found(at)
        at = after
    return at, _RECORD


def _words(data: bytes, *, big: bool) -> list[Sequence[int]]:
    """The u32s of data, from offset 0, 1, 2 and 3 on: half as slow to read as by unpacking."""
    view, words = memoryview(data), list[Sequence[int]]()
    for k in range(4):
        part = view[k : k + max(len(data) - k, 0) // 4 * 4]
        if big != (sys.byteorder == "big"):
            part = memoryview(np.frombuffer(part, np.uint32).byteswap().tobytes())
        words.append(part.cast("I"))
    return words
