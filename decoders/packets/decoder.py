"""From I2C transactions or serial bytes to packets: a fold over both directions of one device.

Packets come in the order of the transactions they end in. What is still open of a stream is kept
for the next chunk; a transaction the other way ends it, as the end of the input does.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.buses.transactions import ENDED_BY, Transactions
from decoders.buses.transactions import PROBLEMS as BUS_PROBLEMS
from decoders.packets.assemble import assembled
from decoders.packets.columns import Packets
from decoders.packets.gather import Bytes, Mask, Places
from decoders.packets.layout import BIT, PacketSet
from decoders.packets.line_framing import LineFramer
from decoders.packets.rows import Cut, Rows, no_rows
from decoders.packets.stream_framing import StreamFramer
from decoders.packets.transaction_framing import TransactionFramer

_CUT = sum(1 << BUS_PROBLEMS.index(word) for word in ("begins-cut", "ends-cut", "cut-in-byte"))
_PEC = 1 << BUS_PROBLEMS.index("pec")
Indices = slice | Places
_RESTART = ENDED_BY.index("restart")


class PacketDecoder:
    """Cuts, reads and judges the packets of one device.

    Args:
        packet_set: what its packets look like.
        address: its address on the bus; None: every transaction is its own.
        pec: its transactions end in an SMBus packet error code, which is no part of a packet.
    """

    def __init__(
        self, packet_set: PacketSet, address: int | None = None, *, pec: bool = False
    ) -> None:
        self.packet_set, self.address, self.pec = packet_set, address, pec
        self.rows_seen = 0  # transactions or bytes fed so far
        ways = {way: packet_set.of_direction(read=way) for way in (False, True)}
        framing = {way: packet_set.framing(read=way) for way in (False, True)}
        self._framers: dict[bool, StreamFramer | LineFramer] = {}
        for way in (False, True):
            if framing[way] == "stream":
                self._framers[way] = StreamFramer(packet_set, ways[way], read=way)
            elif framing[way] == "lines":
                self._framers[way] = LineFramer(packet_set, ways[way], read=way)
        whole = {way: kinds for way, kinds in ways.items() if framing[way] == "transaction"}
        self._whole = TransactionFramer(packet_set, whole)

    def feed(self, table: Transactions) -> Packets:
        """Take the next transactions (of all devices); return the packets they complete."""
        number = np.arange(len(table), dtype=np.int64) + self.rows_seen
        self.rows_seen += len(table)
        mine = table.address >= 0
        if self.address is not None:
            mine = table.address == self.address
        refused = mine & ~table.read & ~table.address_acked
        # a refused write is no packet, but it ends what is incomplete as any write does
        at = _indices((mine & table.address_acked) | refused)
        rows, read = self._rows(table, at, number, refused), table.read[at]
        cuts = self._framed(rows, read, refused[at])
        cuts.append(self._whole.feed(rows, read, table.address[at], table.ended_by[at] == _RESTART))
        return assembled(self.packet_set, cuts, table.start_ns[refused])

    def feed_bytes(
        self,
        start_ns: npt.NDArray[np.int64],
        end_ns: npt.NDArray[np.int64],
        data: Bytes,
        *,
        read: bool = True,
        damaged: Mask | None = None,
    ) -> Packets:
        """Take the next bytes of a serial line; the framing must be stream or lines.

        Args:
            start_ns: int64[m] start of each byte.
            end_ns: int64[m] its end.
            data: uint8[m].
            read: the direction of all of them.
            damaged: bool[m] bytes that the line itself got wrong (parity, framing).
        """
        if read not in self._framers:
            raise ValueError("a serial line has no transactions: framing must be stream or lines")
        count = len(data)
        number = np.arange(count, dtype=np.int64) + self.rows_seen
        self.rows_seen += count
        flags = np.zeros(count, np.uint32)
        if damaged is not None:
            flags[damaged] = BIT["cut"]
        none = np.zeros(count, np.int64)
        first = np.arange(count + 1, dtype=np.int64)
        rows = Rows(number, start_ns, end_ns, flags, none, first, data)
        cut = self._framers[read].feed(rows, none[:0], closed=False)
        return assembled(self.packet_set, [cut], none[:0])

    def finish(self) -> Packets:
        """Return what the end of the input cut short; feed nothing after this."""
        none = np.zeros(0, np.int64)
        cuts = [framer.feed(no_rows(), none, closed=True) for framer in self._framers.values()]
        empty = self._whole.feed(no_rows(), none != 0, none.astype(np.int16), none != 0)
        return assembled(self.packet_set, [*cuts, empty], none)

    def _rows(self, table: Transactions, at: Indices, number: Places, refused: Mask) -> Rows:
        """The bytes of the transactions at some rows, end to end; of refused ones, none."""
        begin, end = table.first[:-1][at], table.first[1:][at]
        end = np.where(refused[at], begin, end)
        if self.pec:  # that of a register read stands at the end of the read alone
            goes_on = (table.ended_by[at] == _RESTART) & ~table.read[at]
            end = np.where(goes_on | (end == begin), end, end - 1)
        flags = np.zeros(len(begin), np.uint32)
        problems = table.problems[at]
        flags[problems & np.uint32(_CUT) != 0] |= np.uint32(BIT["cut"])
        flags[problems & np.uint32(_PEC) != 0] |= np.uint32(BIT["pec"])
        written = np.flatnonzero(~table.read[at] & (end > begin))
        if len(written):
            places, acked = _gathered(table.acked, begin[written], end[written])
            nacked = ~np.logical_and.reduceat(acked, places[:-1])
            flags[written[nacked]] |= np.uint32(BIT["nack"])
        first, data = _gathered(table.data, begin, end)
        none = np.zeros(len(begin), np.int64)
        return Rows(number[at], table.start_ns[at], table.end_ns[at], flags, none, first, data)

    def _framed(self, rows: Rows, read: Mask, refused: Mask) -> list[Cut]:
        """Feed the framers of streams and lines with the rows of their direction."""
        cuts = []
        for way, framer in self._framers.items():
            own = read == way
            at = _indices(own)
            first, data = _gathered(rows.data, rows.first[:-1][at], rows.first[1:][at])
            part = Rows(
                rows.number[at],
                rows.start_ns[at],
                rows.end_ns[at],
                rows.flags[at],
                rows.skipped[at],
                first,
                data,
            )
            before = np.cumsum(own)[~own | refused]  # own rows before each border
            cuts.append(framer.feed(part, first[before], closed=False))
        return cuts


def _indices(mask: Mask) -> Indices:
    """What picks the rows of a mask; a slice, which copies nothing, where it picks all."""
    return slice(None) if mask.all() else np.flatnonzero(mask)


def _gathered(
    data: npt.NDArray[Any], begin: Places, end: Places
) -> tuple[Places, npt.NDArray[Any]]:
    """Stretches end to end: first int64[n + 1] and their bytes (a view if they already are)."""
    if len(begin) and (begin[1:] == end[:-1]).all():
        start, stop = int(begin[0]), int(end[-1])
        return np.append(begin, stop) - start, data[start:stop]
    sizes = end - begin
    first = np.concatenate([[0], np.cumsum(sizes)])
    at = np.arange(int(first[-1])) + np.repeat(begin - first[:-1], sizes)
    return first, data[at]
