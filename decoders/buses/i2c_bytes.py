"""From bits to bytes, addresses and problems: the rows of closed transactions.

Bytes are windows of nine bits counted from the START: eight bits, most significant first, and the
acknowledge (UM10204 section 3.1.5). All windows of a block are packed at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.held_lines import Header
from decoders.buses.i2c_limits import reserved_use
from decoders.buses.transactions import ENDED_BY, STARTED_BY, Transactions, problem_bit

BY_START, BY_RESTART, BY_CUT = range(len(STARTED_BY))
STOP, RESTART, START, CUT, STUCK = range(len(ENDED_BY))

ADDRESS_NACK = problem_bit("address-nack")
DATA_NACK = problem_bit("data-nack")
READ_END_ACKED = problem_bit("read-end-acked")
CUT_IN_BYTE = problem_bit("cut-in-byte")
NO_STOP = problem_bit("no-stop")
VOID = problem_bit("void")
RESERVED_ADDRESS = problem_bit("reserved-address")

_ONE, _TWO, _FOUR = np.uint8(1), np.uint8(2), np.uint8(4)
_START_BYTE = 0x01  # UM10204 section 3.1.15: nobody may acknowledge it
# What the decoder reads as what it is for; other uses of a reserved address are worth a remark.
_UNDERSTOOD = (None, "general call", "START byte", "10-bit addressing")
_IS_RESERVED = np.array(
    [reserved_use(byte >> 1, bool(byte & 1)) not in _UNDERSTOOD for byte in range(256)]
    # Device ID is read with R/W 1, but its address is written first (UM10204 section 3.1.17).
) | (np.arange(256) >= 0xF8)


@dataclass(slots=True, eq=False)
class Spans:
    """Closed transactions before their bits are read; n rows."""

    start_ns: npt.NDArray[np.int64]
    end_ns: npt.NDArray[np.int64]
    begins: npt.NDArray[np.intp]  # [n] where its bits begin
    clocks: npt.NDArray[np.intp]  # [n] how many bits it has; 0 when they have no byte borders
    started_by: npt.NDArray[np.uint8]
    ended_by: npt.NDArray[np.uint8]
    scl_low_max_ns: npt.NDArray[np.int64]
    problems: npt.NDArray[np.uint32]  # what is known of problems already


@dataclass(slots=True, eq=False)
class _Bytes:
    """All whole bytes of all rows, end to end."""

    first: npt.NDArray[np.int64]  # [n + 1]
    value: npt.NDArray[np.uint8]
    acked: npt.NDArray[np.bool_]


class ByteReader:
    """Makes rows of spans. Remembers the 10-bit address that a repeated START may read from."""

    def __init__(self) -> None:
        self._ten_bit = -1  # of the transactions joined by repeated STARTs so far; -1: none

    def rows(
        self, spans: Spans, bits: npt.NDArray[np.uint8], header: Header | None = None
    ) -> Transactions:
        """Read the bits of spans.

        Args:
            spans: n > 0 rows, following those of the call before.
            bits: uint8, 0 or 1 in each clock of all spans, at the places `spans.begins` says.
            header: what is known of row 0 if it is the later part of a split transaction.
        """
        whole = _whole_bytes(spans, bits)
        n = len(spans.start_ns)
        has = whole.first[1:] > whole.first[:-1]
        if header is not None:
            has[0] = False
        at = whole.first[:-1][has]
        first_byte = np.zeros(n, np.uint8)
        first_byte[has] = whole.value.take(at)
        acked = np.zeros(n, np.bool_)
        acked[has] = whole.acked.take(at)
        read = (first_byte & 1).view(np.bool_)
        address = (first_byte >> 1).astype(np.int16)
        address[~has] = -1
        bits_of_address = np.where(has, 7, 0).astype(np.uint8)
        problems = spans.problems
        problems[_IS_RESERVED[first_byte]] |= RESERVED_ADDRESS
        is_start_byte = has & (first_byte == _START_BYTE)
        problems[has & ~acked & ~is_start_byte] |= ADDRESS_NACK
        problems[is_start_byte & acked] |= RESERVED_ADDRESS
        address_bytes = has.astype(np.int64)
        ten = np.flatnonzero((first_byte & 0xF8) == 0xF0)
        table = Transactions(
            start_ns=spans.start_ns,
            end_ns=spans.end_ns,
            address=address,
            address_bits=bits_of_address,
            read=read,
            address_acked=acked,
            first=whole.first,
            data=whole.value,
            acked=whole.acked,
            started_by=spans.started_by,
            ended_by=spans.ended_by,
            bits_over=(spans.clocks % 9).astype(np.uint8),
            scl_low_max_ns=spans.scl_low_max_ns,
            problems=problems,
        )
        if header is not None:
            _apply(header, table)
        self._read_ten_bit(table, ten, first_byte, address_bytes, header)
        table = _without_address_bytes(table, address_bytes)
        _judge(table)
        return table

    def _read_ten_bit(
        self,
        table: Transactions,
        ten: npt.NDArray[np.intp],
        first_byte: npt.NDArray[np.uint8],
        address_bytes: npt.NDArray[np.int64],
        header: Header | None,
    ) -> None:
        """Fill in 10-bit addresses (UM10204 section 3.1.11), in place.

        A read repeats only the first address byte: the rest is that of the last transaction before
        it that is not such a read, among those joined to it by repeated STARTs.
        """
        group_begins = table.started_by == BY_START
        if not len(ten) and self._ten_bit < 0 and header is None:
            return
        given = np.full(len(table), -1, np.int64)  # the 10-bit address each row sets
        if header is not None and header.address_bits == 10:
            given[0] = header.address
        table.address_bits[ten] = 10
        table.address[ten] = -1
        top = (first_byte[ten].astype(np.int64) & 0x06) << 7
        writes, reads = ten[~table.read[ten]], ten[table.read[ten]]
        counts = table.first[1:] - table.first[:-1]
        incomplete = writes[counts[writes] < 2]
        table.address_acked[incomplete] = False
        whole = writes[counts[writes] >= 2]
        second = table.first[:-1][whole] + 1
        given[whole] = top[~table.read[ten]][counts[writes] >= 2] | table.data[second]
        table.address[whole] = given[whole]
        second_acked = table.acked[second]
        table.problems[whole[~second_acked]] |= ADDRESS_NACK
        table.address_acked[whole] &= second_acked
        address_bytes[whole] = 2
        self._join_reads(table, given, group_begins, reads, top[table.read[ten]])

    def _join_reads(
        self,
        table: Transactions,
        given: npt.NDArray[np.int64],
        group_begins: npt.NDArray[np.bool_],
        reads: npt.NDArray[np.intp],
        top: npt.NDArray[np.int64],
    ) -> None:
        rows = np.arange(len(table))
        sets = np.ones(len(table), np.bool_)
        sets[reads] = False
        # A read that begins a group has nothing to take its address from.
        sets |= group_begins
        source = np.maximum.accumulate(np.where(sets, rows, -1))
        known = np.where(source >= 0, given[source], self._ten_bit)
        agrees = (known[reads] >= 0) & ((known[reads] & 0x300) == top)
        table.address[reads[agrees]] = known[reads[agrees]]
        self._ten_bit = int(known[-1])


def _whole_bytes(spans: Spans, bits: npt.NDArray[np.uint8]) -> _Bytes:
    counts = spans.clocks // 9
    first = np.zeros(len(counts) + 1, np.int64)
    np.cumsum(counts, out=first[1:])
    total = int(first[-1])
    if not total:
        return _Bytes(first, np.empty(0, np.uint8), np.empty(0, np.bool_))
    at = np.repeat(spans.begins - 9 * first[:-1], counts)
    at += np.arange(0, 9 * total, 9)
    # Every run of eight bits packed, by doubling: cheaper than gathering nine bits of each byte.
    pairs = bits[:-1] << _ONE | bits[1:]
    fours = pairs[:-2] << _TWO | pairs[2:]
    eights = fours[:-4] << _FOUR | fours[4:]
    value = eights.take(at)
    at += 8
    # UM10204 section 3.1.6: NACK is SDA high in the ninth clock
    return _Bytes(first, value, bits.take(at) == 0)


def _apply(header: Header, table: Transactions) -> None:
    table.address[0] = header.address
    table.address_bits[0] = header.address_bits
    table.read[0] = header.read
    table.address_acked[0] = header.address_acked


def _without_address_bytes(
    table: Transactions, address_bytes: npt.NDArray[np.int64]
) -> Transactions:
    keep = np.ones(len(table.data), np.bool_)
    at = table.first[:-1]
    keep[at[address_bytes > 0]] = False
    keep[at[address_bytes > 1] + 1] = False
    first = table.first.copy()
    first[1:] -= np.cumsum(address_bytes)
    columns = {name: getattr(table, name) for name in table.__slots__}
    columns |= {"first": first, "data": table.data[keep], "acked": table.acked[keep]}
    return Transactions(**columns)


def _judge(table: Transactions) -> None:
    """Set the problems that the whole row tells, in place."""
    problems, counts = table.problems, np.diff(table.first)
    nacked = table.first.searchsorted(np.flatnonzero(~table.acked), "right") - 1
    problems[nacked[~table.read[nacked]]] |= DATA_NACK
    at_border = table.bits_over == 0
    by_controller = table.ended_by <= RESTART
    reads = np.flatnonzero(table.read & (counts > 0) & at_border & by_controller)
    problems[reads[table.acked[table.first[1:][reads] - 1]]] |= READ_END_ACKED
    problems[~at_border & (table.ended_by <= START)] |= CUT_IN_BYTE
    problems[table.ended_by == START] |= NO_STOP
