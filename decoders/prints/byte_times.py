"""When each byte of a serial line came, from the stamps of the reads that gave them.

A read gives what has gathered since the one before and has one stamp, but on the line bytes follow
each other at the pace of the baud rate: of n bytes read at t, the last came at t at the latest, the
one before it a byte time earlier, and so on back; none before the last byte of the read before.
That is the latest time each can have come at, and what is given here. A byte has come when its stop
bit is over, so its start bit began one byte time earlier.

How much earlier it may have come is the band: as long as something between the line and the reader
kept it. In USB adapters that is the latency timer, by common practice 16 ms unless somebody set it
otherwise, and a USB frame of 1 ms; then the pause of the reader itself, and one byte time for the
pause between two bytes that nobody sees.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from decoders.prints.columns import NO_TIME

USB_KEPT_NS = 17_000_000  # latency timer and one frame of USB


@dataclass(frozen=True, slots=True, eq=False)
class ByteArrivals:
    """When the host had each byte of a chunk; part k is what came with one stamp."""

    end: npt.NDArray[np.int64]  # [k] offset after the last byte of each part; rises
    t_ns: npt.NDArray[np.int64]  # [k] its stamp
    floor_ns: npt.NDArray[np.int64]  # [k] no byte of it came before; at most t_ns
    frame_bits: int  # bit times of a byte
    baud: int  # 0: bytes have no pace, all of a part came at its stamp
    begin: int = 0  # bytes passed over

    def after(self, begin: int) -> ByteArrivals:
        """The same of the chunk from byte `begin` on."""
        return replace(self, begin=self.begin + begin)

    def of(self, at: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """When the bytes at these offsets came, int64 ns; offsets beside the chunk count as its
        ends.
        """
        if not len(self.end):
            return np.full(len(at), NO_TIME)
        at = np.clip(at + self.begin, 0, self.end[-1] - 1)
        part = np.searchsorted(self.end, at, side="right")
        t_ns = self.t_ns[part]
        if not self.baud:
            return t_ns
        behind = self.end[part] - 1 - at
        # Whole ns, rounded down: what is subtracted is never more than it was.
        paced = t_ns - behind * (self.frame_bits * 1_000_000_000) // self.baud
        return np.maximum(paced, self.floor_ns[part])


class ByteTimes:
    """A fold from the lengths and stamps of reads to the arrival of every byte.

    However the bytes of one stamp are cut into reads, and however whole stamps are dealt out to
    calls, the times are the same. They rise, and none is after the stamp of its read.

    Args:
        baud: bits a second; None when bytes have no pace of their own (USB, network): then each
            has the stamp of its read.
        frame_bits: bit times of a byte: start, data, parity and stop bits.
        kept_ns: how long a byte may have been kept between the line and the reader.

    Raises:
        ValueError: if baud or frame_bits is less than 1.
    """

    def __init__(
        self, baud: int | None, frame_bits: int = 10, *, kept_ns: int = USB_KEPT_NS
    ) -> None:
        if frame_bits < 1 or (baud is not None and baud < 1):
            raise ValueError(f"no line has {baud} baud and {frame_bits} bits a byte")
        self._baud = baud or 0
        self._frame_bits = frame_bits
        self._kept_ns = kept_ns
        self._last_ns = NO_TIME

    @property
    def band_ns(self) -> int:
        """A byte came at its time or at most so much earlier."""
        byte_ns = -(-self._frame_bits * 1_000_000_000 // self._baud) if self._baud else 0
        return self._kept_ns + byte_ns

    def begin(self, t_ns: int) -> None:
        """The port was opened: no byte came before."""
        self._last_ns = t_ns

    def feed(self, lengths: npt.ArrayLike, t_ns: npt.ArrayLike) -> ByteArrivals:
        """Take the next reads; the arrivals of their bytes, joined end to end.

        Args:
            lengths: int[n] bytes of each read; none is below 0. Up to 500 MB together.
            t_ns: int64[n] their stamps. One that steps back begins anew.
        """
        sizes, stamps = np.asarray(lengths, np.int64), np.asarray(t_ns, np.int64)
        sizes, stamps = sizes[sizes > 0], stamps[sizes > 0]
        last_of_stamp = np.append(stamps[1:] != stamps[:-1], True)[: len(stamps)]
        end, stamps = np.cumsum(sizes)[last_of_stamp], stamps[last_of_stamp]
        before = np.concatenate(([self._last_ns], stamps))[:-1]
        if len(stamps):
            self._last_ns = int(stamps[-1])
        floor = np.where(before <= stamps, before, NO_TIME)
        return ByteArrivals(end, stamps, floor, self._frame_bits, self._baud)
