"""One transaction, one packet: which kind each is, by what was written before it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from decoders.packets.gather import Bytes, Mask, Places
from decoders.packets.kinds import UNKNOWN, choose_kinds, last_writes
from decoders.packets.layout import BIT, Leaf, PacketSet
from decoders.packets.rows import Cut, Rows

_MOST_WRITTEN = 8  # bytes written before a read that a check code over the wire can cover


class TransactionFramer:
    """Takes each transaction as a packet, and tells its kind.

    A register number counts from its write until the next is written, as in the devices themselves.

    Args:
        packet_set: all kinds.
        ways: direction (True: read) -> the kinds framed by transaction that go this way.
    """

    def __init__(self, packet_set: PacketSet, ways: Mapping[bool, Sequence[int]]) -> None:
        self.packet_set, self.ways = packet_set, ways
        kinds = [packet_set.kinds[k] for each in ways.values() for k in each]
        self.pointers = {len(kind.register): -1 for kind in kinds if kind.register}
        # bytes of the register number that stand before the fields, by kind; the last is of no kind
        self.leads = np.array(
            [len(k.register) * (k.direction == "write") for k in packet_set.kinds] + [0]
        )
        self.asked = UNKNOWN  # kind of the last write
        self.wrote = b""  # what the last transaction wrote, if it ended in a repeated START
        self.wrote_number = -2  # and its number
        self.has_wire = any(
            isinstance(field, Leaf) and field.check is not None and field.check.wire
            for kind in kinds
            for field in kind.layout.fields
        )

    def feed(self, rows: Rows, read: Mask, address: npt.NDArray[np.int16], restarted: Mask) -> Cut:
        """The packets of the next transactions of both directions.

        Args:
            rows: r transactions.
            read: bool[r] their direction.
            address: int16[r].
            restarted: bool[r] whether each ended in a repeated START.
        """
        begin, end = rows.first[:-1], rows.first[1:]
        pointers = self._pointers(rows, read)
        kind = np.full(len(rows), UNKNOWN, np.int16)
        for way in (False, True):
            if way in self.ways:
                at = np.flatnonzero(read == way)
                asked = self._asked(kind, read)[at] if way and len(self.ways[way]) > 1 else None
                fits = self._fits(way, begin[at], end[at], {s: p[at] for s, p in pointers.items()})
                kind[at] = choose_kinds(
                    self.packet_set, self.ways[way], rows.data, begin[at], end[at], fits, asked
                )
        lead = self.leads[kind]
        prefix = self._wire(rows, read, address, restarted, lead) if self.has_wire else None
        self._remember(rows, read, kind, restarted)
        # what carries nothing is no packet, and the other direction may be framed otherwise
        framed = np.array([False in self.ways, True in self.ways])[read.astype(np.intp)]
        framed &= end > begin
        some = slice(None) if framed.all() else np.flatnonzero(framed)
        return Cut(
            rows.data,
            (begin + lead)[some],
            end[some],
            kind[some],
            rows.flags[some] | np.where(kind[some] < 0, np.uint32(BIT["unknown"]), np.uint32(0)),
            rows.start_ns[some],
            rows.end_ns[some],
            rows.number[some],
            lead[some],
            rows.number[some],
            read[some],
            None if prefix is None else (prefix[0][some], prefix[1][some]),
        )

    def _pointers(self, rows: Rows, read: Mask) -> dict[int, npt.NDArray[np.int64]]:
        """By size of register numbers: the last one written before (or by) each row, or -1."""
        begin, end = rows.first[:-1], rows.first[1:]
        found = {}
        for size, before in self.pointers.items():
            writer = last_writes(~read & (end - begin >= size))
            known = writer >= 0
            value = np.full(len(rows), before, np.int64)
            value[known] = 0
            for place in range(size):
                byte = rows.data[begin[writer[known]] + place]
                value[known] = (value[known] << 8) | byte
            found[size] = value
            if len(value):
                self.pointers[size] = int(value[-1])
        return found

    def _fits(
        self, way: bool, begin: Places, end: Places, pointers: Mapping[int, npt.NDArray[np.int64]]
    ) -> dict[int, Mask]:
        """Rows that may be of the kinds with register numbers."""
        fits = {}
        for number in self.ways[way]:
            kind = self.packet_set.kinds[number]
            size = end - begin
            if kind.alone:
                wanted = kind.layout.fields[0]
                length = kind.layout.fixed_size or 0
                value = wanted.number.constant if isinstance(wanted, Leaf) else None
                fits[number] = (size == length) & (pointers[length] == value)
            elif kind.register:
                same = pointers[len(kind.register)] == int.from_bytes(kind.register, "big")
                fits[number] = same if way else same & (size > len(kind.register))
        return fits

    def _asked(self, kind: npt.NDArray[np.int16], read: Mask) -> npt.NDArray[np.int16]:
        """The kind of the last write before each row."""
        writer = last_writes(~read)
        return np.where(writer >= 0, kind[writer], np.int16(self.asked)).astype(np.int16)

    def _wire(
        self,
        rows: Rows,
        read: Mask,
        address: npt.NDArray[np.int16],
        restarted: Mask,
        lead: Places,
    ) -> tuple[Bytes, Places]:
        """The bytes on the wire before each packet, and how many.

        A PEC covers the address bytes, and of a read after a repeated START all that was written
        before it (SMBus 3.2 section 6.4).
        """
        prefix = np.zeros((len(rows), _MOST_WRITTEN + 2), np.uint8)
        length = np.ones(len(rows), np.int64)
        prefix[:, 0] = (address.astype(np.int64) << 1 | read) & 0xFF
        for place in range(int(lead.max(initial=0))):
            at = np.flatnonzero(lead > place)
            prefix[at, 1 + place] = rows.data[rows.first[at] + place]
            length[at] += 1
        for row in np.flatnonzero(read).tolist():  # about 1 us each; only devices with a PEC
            wrote, number = self.wrote, self.wrote_number
            if row:
                a, b = int(rows.first[row - 1]), int(rows.first[row])
                goes_on = not read[row - 1] and restarted[row - 1]
                wrote = rows.data[a:b].tobytes() if goes_on else b""
                number = int(rows.number[row - 1])
            if wrote and number == rows.number[row] - 1 and len(wrote) <= _MOST_WRITTEN:
                whole = bytes([int(prefix[row, 0]) & 0xFE, *wrote, int(prefix[row, 0])])
                prefix[row, : len(whole)] = np.frombuffer(whole, np.uint8)
                length[row] = len(whole)
        return prefix, length

    def _remember(
        self, rows: Rows, read: Mask, kind: npt.NDArray[np.int16], restarted: Mask
    ) -> None:
        if not len(rows):
            return
        writes = np.flatnonzero(~read)
        if len(writes):
            self.asked = int(kind[writes[-1]])
        self.wrote = b""
        if not read[-1] and restarted[-1]:
            self.wrote = rows.data[rows.first[-2] : rows.first[-1]].tobytes()
        self.wrote_number = int(rows.number[-1])
