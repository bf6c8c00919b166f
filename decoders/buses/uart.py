"""UART from edges to bytes, as a fold.

A receiver waits for the fall of a start bit, looks at the line in the middle of each bit, and from
the middle of the first stop bit on waits for the next fall. So it takes what an ideal receiver
takes: a sender whose bits are up to about 5 % too long or too short (8N1). A low pulse shorter than
half a bit begins nothing. A low for longer than a frame is a break, wherever it begins; it is
reported when it ends. After a stop bit that was low, the next fall is taken for a start bit.

When observation begins inside a byte, its bits may pass for other bytes until the line was idle for
a while: such rows are marked `unsynced`.

Without a baud, the decoder keeps what it is fed until the baud can be found from that: it looks
after 500 edges, after 1000, 2000 and so on, and when what it may keep is full it gives that up and
begins anew.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import numpy as np

from decoders.buses.serial_bytes import SerialBytes, no_bytes
from decoders.buses.uart_format import Parity, UartFormat
from decoders.buses.uart_guess import guessed_from
from decoders.buses.uart_pieces import LineEdges, Piece, PieceDecoder
from decoders.captures.edges import Edges

_FIRST_LOOK, _LAST_LOOK = 500, 32_000  # edges


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
        baud: bits a second; None: found from the data.
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
        baud: float | None = None,
        data_bits: int = 8,
        parity: Parity = "none",
        stop_bits: float = 1,
        inverted: bool = False,
        wait_ns: int | None = 20_000_000,
    ) -> None:
        self.format = UartFormat(data_bits, parity, stop_bits)
        self._wait_ns = wait_ns
        self._edges = LineEdges(line, inverted=inverted)
        self._decoder: PieceDecoder | None = None
        self._kept: list[Piece] = []  # while the baud is not known
        self._kept_edges = 0
        self._look_at = _FIRST_LOOK
        self.unread_edges = 0  # given up because no baud was found in them
        if baud is not None:
            self._decoder = PieceDecoder(self.format, baud, wait_ns)

    @property
    def baud(self) -> float | None:
        """Bits a second; None while it is looked for."""
        return self._decoder.baud if self._decoder else None

    def feed(self, edges: Edges) -> SerialBytes:
        """Take the next edges; return the bytes they complete."""
        for piece in self._edges.feed(edges):
            self._take(piece)
        return self._decoder.take() if self._decoder else no_bytes()

    def finish(self) -> SerialBytes:
        """Return what was left, the last byte cut short; feed nothing after this."""
        self._look()
        if self._decoder is None:
            self._give_up()
            return no_bytes()
        self._decoder.finish()
        return self._decoder.take()

    def unfinished(self) -> SerialBytes:
        """What `finish` would return now, such as a break that lasts; nothing is changed."""
        return copy.deepcopy(self).finish()

    @property
    def rejected(self) -> int:
        """Low pulses outside bytes that were too short for a start bit."""
        return self._decoder.reader.rejected if self._decoder else 0

    def baud_error(self) -> BaudError | None:
        """Measured on all good bytes so far; None before there are any with falls inside."""
        if self._decoder is None:
            return None
        sums = self._decoder.reader.sums
        bit_ns = sums.bit_ns()
        return BaudError(self._decoder.baud, 1e9 / bit_ns, sums.bytes) if bit_ns else None

    def _take(self, piece: Piece) -> None:
        """Decode a piece, or keep it; looks for the baud at the same edges however it was cut."""
        while self._decoder is None:
            room = self._look_at - self._kept_edges
            head, rest = piece.parted(room)
            self._keep(head)
            if rest is None:
                return
            self._look()
            if self._kept_edges >= _LAST_LOOK:
                self._give_up()
            piece = rest
        self._decoder.feed(piece)

    def _keep(self, piece: Piece) -> None:
        if self._kept and not piece.begins and not len(piece.t_ns):  # an idle line costs nothing
            self._kept[-1] = replace(self._kept[-1], until_ns=piece.until_ns)
        else:
            self._kept.append(piece)
        self._kept_edges += len(piece.t_ns)

    def _look(self) -> None:
        """Look for the baud in what is kept; if it is there, decode that."""
        guess = guessed_from(self._kept, [self.format]) if self._decoder is None else None
        self._look_at = 2 * self._look_at
        if guess is None:
            return
        self._decoder = PieceDecoder(self.format, guess.baud, self._wait_ns)
        for piece in self._kept:
            self._decoder.feed(piece)
        self._kept = []

    def _give_up(self) -> None:
        """Drop what is kept; what follows begins at its end."""
        is_idle, until_ns = True, 0
        for piece in self._kept:
            is_idle = piece.begins[1] if piece.begins else is_idle
            is_idle ^= len(piece.t_ns) % 2 == 1
            until_ns = piece.until_ns
        self.unread_edges += self._kept_edges
        self._kept = [Piece((until_ns, is_idle), np.empty(0, np.int64), until_ns)]
        self._kept_edges, self._look_at = 0, _FIRST_LOOK
