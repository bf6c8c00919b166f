"""UART from edges to bytes, as a fold.

A receiver waits for the fall of a start bit, looks at the line in the middle of each bit, and from
the middle of the first stop bit on waits for the next fall. So it takes what an ideal receiver
takes: a sender whose bits are up to about 5 % too long or too short (8N1). A low pulse shorter than
half a bit begins nothing. A low for longer than a frame is a break, wherever it begins; it is
reported when it ends. After a stop bit that was low, the next fall is taken for a start bit.

When observation begins inside a byte, its bits may pass for other bytes until the line was idle for
a while: such rows are marked `unsynced`. Without a baud, the decoder waits until it can be found
from the data.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

from decoders.buses.serial_bytes import SerialBytes
from decoders.buses.uart_format import Parity, UartFormat
from decoders.buses.uart_pieces import LineEdges, PieceDecoder
from decoders.captures.edges import Edges


@dataclass(frozen=True, slots=True)
class BaudError:
    """How far the sender's bits are from the receiver's."""

    baud: float  # of the receiver
    measured_baud: float  # of the sender
    bytes: int  # good ones it was measured on

    @property
    def ppm(self) -> float:
        """(measured / baud - 1) in millionths: above 0, the sender is fast."""
        return (self.measured_baud / self.baud - 1) * 1e6


class UartDecoder:
    """Decode one line; however the edges are cut into blocks, all rows together are the same.

    Args:
        line: bit number of the line in `Edges.levels`.
        baud: bits a second.
        data_bits: 5 to 9.
        parity: none, even, odd, mark or space.
        stop_bits: 1, 1.5 or 2. Only the first is looked at, as receivers do.
        inverted: whether the line idles low.
        wait_ns: edges wait for more until so much time is covered, since many small blocks cost
            more than few large ones. None: until there are enough, which is best for files.

    Raises:
        ValueError: if the line, the baud or the format is impossible.
    """

    def __init__(
        self,
        line: int,
        *,
        baud: float,
        data_bits: int = 8,
        parity: Parity = "none",
        stop_bits: float = 1,
        inverted: bool = False,
        wait_ns: int | None = 20_000_000,
    ) -> None:
        self.format = UartFormat(data_bits, parity, stop_bits)
        self.baud = baud
        self._edges = LineEdges(line, inverted=inverted)
        self._decoder = PieceDecoder(self.format, baud, wait_ns)

    def feed(self, edges: Edges) -> SerialBytes:
        """Take the next edges; return the bytes they complete."""
        for piece in self._edges.feed(edges):
            self._decoder.feed(piece)
        return self._decoder.take()

    def finish(self) -> SerialBytes:
        """Return what was left, the last byte cut short; feed nothing after this."""
        self._decoder.finish()
        return self._decoder.take()

    def unfinished(self) -> SerialBytes:
        """What `finish` would return now, such as a break that lasts; nothing is changed."""
        return copy.deepcopy(self).finish()

    @property
    def rejected(self) -> int:
        """Low pulses outside bytes that were too short for a start bit."""
        return self._decoder.reader.rejected

    def baud_error(self) -> BaudError | None:
        """Measured on all good bytes so far; None before there are any with falls inside."""
        sums = self._decoder.reader.sums
        bit_ns = sums.bit_ns()
        return BaudError(self.baud, 1e9 / bit_ns, sums.bytes) if bit_ns else None
