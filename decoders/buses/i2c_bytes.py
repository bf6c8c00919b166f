"""From bits to bytes, addresses and problems: the rows of closed transactions.

Bytes are windows of nine bits counted from the START: eight bits, most significant first, and the
acknowledge (UM10204 section 3.1.5). The windows of all rows of a block are read at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.i2c_limits import reserved_use
from decoders.buses.i2c_segments import Header
from decoders.buses.transactions import ENDED_BY, STARTED_BY, Transactions, problem_bit

BY_START, BY_RESTART, BY_CUT = range(len(STARTED_BY))
STOP, RESTART, START, CUT, STUCK = range(len(ENDED_BY))

_ADDRESS_NACK = np.uint32(problem_bit("address-nack"))
_DATA_NACK = np.uint32(problem_bit("data-nack"))
_READ_END_ACKED = np.uint32(problem_bit("read-end-acked"))
_CUT_IN_BYTE = np.uint32(problem_bit("cut-in-byte"))
_NO_STOP = np.uint32(problem_bit("no-stop"))
_VOID = np.uint32(problem_bit("void"))
_RESERVED = np.uint32(problem_bit("reserved-address"))
_ENDS_CUT = np.uint32(problem_bit("ends-cut"))

_NONE = 512  # index of "no first byte" in the tables below


def _first_byte_problems() -> npt.NDArray[np.uint32]:
    """Problems by first byte + 256 if it was acknowledged; none at _NONE.

    General call, START byte and 10-bit addresses are read as what they are for; any other use of a
    reserved address (UM10204 table 4) is worth a remark. The device ID (section 3.1.17) is one. The
    START byte must not be acknowledged (section 3.1.15).
    """
    table = np.zeros(_NONE + 1, np.uint32)
    understood = (None, "general call", "START byte", "10-bit addressing")
    for byte in range(256):
        use = reserved_use(byte >> 1, bool(byte & 1))
        is_remarkable = use not in understood or byte >= 0xF8  # device ID is written to, then read
        is_start_byte = use == "START byte"
        table[byte] = (_RESERVED if is_remarkable else 0) | (0 if is_start_byte else _ADDRESS_NACK)
        table[byte + 256] = _RESERVED if is_remarkable or is_start_byte else 0
    return table


_PROBLEMS_OF_FIRST = _first_byte_problems()
_ONE, _TWO, _FOUR = np.uint8(1), np.uint8(2), np.uint8(4)


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
class _Heads:
    """What the address phase of each row says; n rows."""

    address: npt.NDArray[np.int16]
    address_bits: npt.NDArray[np.uint8]
    read: npt.NDArray[np.bool_]
    acked: npt.NDArray[np.bool_]
    size: npt.NDArray[np.intp]  # [n] address bytes, 0..2


class ByteReader:
    """Makes rows of spans. Remembers the 10-bit address that a repeated START may read from."""

    def __init__(self) -> None:
        self._ten_bit = -1  # of the transactions joined by repeated STARTs so far; -1: none

    def rows(
        self, spans: Spans, bits: npt.NDArray[np.uint8], header: Header | None = None
    ) -> Transactions:
        """Read the bits of spans.

        Args:
            spans: n > 0 rows, following those of the call before; `problems` is taken over.
            bits: uint8, 0 or 1 in each clock of all spans, at the places `spans.begins` says.
            header: what is known of row 0 if it is the later part of a split transaction.
        """
        whole = spans.clocks // 9
        over = spans.clocks - 9 * whole
        eights = _packed(bits)
        heads = self._heads(spans, whole, eights, bits, header)
        counts = whole - heads.size
        first = np.zeros(len(counts) + 1, np.int64)
        np.cumsum(counts, out=first[1:])
        # Where each byte's window begins: those of one row follow each other every nine bits.
        at = np.repeat(spans.begins + 9 * (heads.size - first[:-1]), counts)
        at += np.arange(0, 9 * len(at), 9)
        data = eights.take(at)
        at += 8
        table = Transactions(
            start_ns=spans.start_ns,
            end_ns=spans.end_ns,
            address=heads.address,
            address_bits=heads.address_bits,
            read=heads.read,
            address_acked=heads.acked,
            first=first,
            data=data,
            acked=bits.take(at) == 0,  # UM10204 section 3.1.6: NACK is SDA high in clock 9
            started_by=spans.started_by,
            ended_by=spans.ended_by,
            bits_over=over.astype(np.uint8),
            scl_low_max_ns=spans.scl_low_max_ns,
            problems=spans.problems,
        )
        _judge(table, counts, spans.clocks == 0)
        return table

    def _heads(
        self,
        spans: Spans,
        whole: npt.NDArray[np.intp],
        eights: npt.NDArray[np.uint8],
        bits: npt.NDArray[np.uint8],
        header: Header | None,
    ) -> _Heads:
        """Read the address phases; adds what is wrong with them to `spans.problems`."""
        has = whole > 0
        if header is not None:
            has[0] = False
        at = spans.begins if has.all() else spans.begins * has
        if len(eights):
            first_byte = eights.take(at, mode="clip")
            acked = (bits.take(at + 8, mode="clip") == 0) & has
        else:
            first_byte, acked = np.zeros(len(has), np.uint8), np.zeros(len(has), np.bool_)
        index = np.where(has, first_byte + acked * 256, _NONE)
        spans.problems |= _PROBLEMS_OF_FIRST.take(index)
        heads = _Heads(
            address=np.where(has, (first_byte >> _ONE).astype(np.int16), -1),
            address_bits=has * np.uint8(7),
            read=(first_byte & _ONE).view(np.bool_) & has,
            acked=acked,
            size=has.astype(np.intp),
        )
        ten = (((first_byte & np.uint8(0xF8)) == 0xF0) & has).nonzero()[0]
        if header is not None:
            heads.address[0], heads.address_bits[0] = header.address, header.address_bits
            heads.read[0], heads.acked[0] = header.read, header.address_acked
        if len(ten) or self._ten_bit >= 0 or (header is not None and header.address_bits == 10):
            self._ten_bit_heads(heads, spans, ten, whole, eights, bits)
        return heads

    def _ten_bit_heads(
        self,
        heads: _Heads,
        spans: Spans,
        ten: npt.NDArray[np.intp],
        whole: npt.NDArray[np.intp],
        eights: npt.NDArray[np.uint8],
        bits: npt.NDArray[np.uint8],
    ) -> None:
        """Fill in 10-bit addresses (UM10204 section 3.1.11).

        A read repeats only the first address byte: the rest is that of the last transaction before
        it that is not such a read, among those joined to it by repeated STARTs.
        """
        given = np.where(heads.address_bits == 10, heads.address, -1)  # of a split row
        top = (heads.address[ten] & 3).astype(np.int64) << 8
        is_read = heads.read[ten]
        heads.address_bits[ten] = 10
        heads.address[ten] = -1
        is_whole = ~is_read & (whole[ten] > 1)
        heads.acked[ten[~is_read & ~is_whole]] = False
        writes = ten[is_whole]
        if len(writes):
            second = spans.begins[writes] + 9
            heads.address[writes] = top[is_whole] | eights[second]
            given[writes] = heads.address[writes]
            acked = bits[second + 8] == 0
            heads.acked[writes] &= acked
            spans.problems[writes[~acked]] |= _ADDRESS_NACK
            heads.size[writes] = 2
        # Rows that set the address for reads after them: all but such reads in mid group.
        sets = np.ones(len(given), np.bool_)
        sets[ten[is_read]] = False
        sets |= spans.started_by == BY_START
        source = np.maximum.accumulate(np.where(sets, np.arange(len(sets)), -1))
        known = np.where(source >= 0, given[source], self._ten_bit)
        reads, known_of_reads = ten[is_read], known[ten[is_read]]
        agrees = (known_of_reads >= 0) & ((known_of_reads & 0x300) == top[is_read])
        heads.address[reads[agrees]] = known_of_reads[agrees]
        self._ten_bit = int(known[-1])


def _packed(bits: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Every eight bits in a row as a byte, by doubling: cheaper than gathering each byte's bits."""
    if len(bits) < 8:
        return bits[:0]
    pairs = bits[:-1] << _ONE | bits[1:]
    fours = pairs[:-2] << _TWO | pairs[2:]
    return fours[:-4] << _FOUR | fours[4:]


def _judge(
    table: Transactions, counts: npt.NDArray[np.intp], no_clocks: npt.NDArray[np.bool_]
) -> None:
    """Add the problems that the whole row tells."""
    problems, ended_by = table.problems, table.ended_by
    nacked = table.first.searchsorted((~table.acked).nonzero()[0], "right") - 1
    problems[nacked[~table.read[nacked]]] |= _DATA_NACK
    problems[_empty_general_calls(table, counts)] |= _RESERVED
    over = table.bits_over > 0
    by_controller = ended_by <= RESTART
    if len(table.acked):
        ends_acked = table.acked.take(table.first[1:] - 1, mode="clip")
        ends_acked &= table.read & (counts > 0) & by_controller & ~over
        problems[ends_acked] |= _READ_END_ACKED
    if over.any():
        problems[over & (ended_by <= START)] |= _CUT_IN_BYTE
    if no_clocks.any():
        problems[no_clocks & by_controller & (table.started_by != BY_CUT)] |= _VOID
    if not by_controller.all():
        goes_on = (ended_by == CUT) & ((problems & _ENDS_CUT) == 0)  # in the next row
        problems[~by_controller & ~goes_on] |= _NO_STOP


def _empty_general_calls(table: Transactions, counts: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """Rows with a general call whose second byte is 00: not allowed (UM10204 section 3.1.13)."""
    calls = np.flatnonzero((table.address == 0) & (table.address_bits == 7))
    calls = calls[~table.read[calls] & (counts[calls] > 0)]
    calls = calls[table.started_by[calls] != BY_CUT]  # else its second byte is in a row before
    empty: npt.NDArray[np.intp] = calls[table.data[table.first[calls]] == 0]
    return empty
