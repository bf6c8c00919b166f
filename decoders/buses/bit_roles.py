"""What each clock of a transaction is for, and whose turn it was to drive SDA in it.

Bits count from the START: nine to a byte, the ninth the acknowledge (UM10204 sections 3.1.5 and
3.1.6). The first byte is the address and R/W; the second one belongs to the address too when the
first says a 10-bit write (section 3.1.11). All else is data, after a general call too, whose second
byte says what is called for (section 3.1.13).

The controller drives addresses, R/W and what it writes, and acknowledges what it reads; the target
drives what is read and acknowledges the rest. Nobody has the turn in the acknowledge of a START
byte, which no device may acknowledge (section 3.1.15), nor in the bits of a read that is clocked on
after a NACK, when no target is sending any more: there the turn is unknown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.held_lines import CONTROLLER, TARGET, UNKNOWN
from decoders.buses.i2c_segments import Header

ROLES = ("", "address", "R/W", "acknowledge", "data")  # "": it has none, or none can be told
NO_ROLE, ADDRESS, READ_WRITE, ACKNOWLEDGE, DATA = range(len(ROLES))
ACKNOWLEDGE_SLOT = 8
_READ_WRITE_SLOT = 7
_START_BYTE = 0x01
_TEN_BIT_WRITE = np.uint8(0xF0)  # 1111 0XX0
_TEN_BIT_MASK = np.uint8(0xF9)
_WEIGHTS = np.array([128, 64, 32, 16, 8, 4, 2, 1], np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class BitRoles:
    """Of r clocks in time order."""

    byte: npt.NDArray[np.int32]  # [r] number of its byte on the wire, from 0; -1 without borders
    slot: npt.NDArray[np.int8]  # [r] 0..8 in the byte, 8 the acknowledge; -1 likewise
    role: npt.NDArray[np.uint8]  # [r] index into ROLES
    turn: npt.NDArray[np.uint8]  # [r] index into TURNS
    value: npt.NDArray[np.int16]  # [r] the whole byte it is in, 0..255; -1 when that was cut short


def bit_roles(
    bits: npt.NDArray[np.uint8],
    segment: npt.NDArray[np.intp],
    has_borders: npt.NDArray[np.bool_],
    *,
    whole: int,
    header: Header | None = None,
) -> BitRoles:
    """Number the clocks of segments, and say what they are for.

    Args:
        bits: uint8[r] SDA in each clock.
        segment: intp[r] the segment it is in; never falls.
        has_borders: bool[s] of each segment, whether it began with a START (or the header says
            how), so that its bytes can be told.
        whole: how many of the clocks ended; r, or r - 1 for one that had not yet.
        header: segment 0 is the later part of a split transaction.
    """
    first = segment.searchsorted(np.arange(len(has_borders)))
    clock = np.arange(len(bits)) - first.take(segment)
    known = has_borders.take(segment)
    byte = np.where(known, clock // 9, -1)
    slot = np.where(known, clock % 9, -1)
    eights, begins = _eights(bits), first.take(segment) + 9 * byte
    ends = np.minimum(np.append(first, len(bits)).take(segment + 1), whole)
    heads = _heads(eights, first, len(bits), header)
    has_head = (segment > 0) | (header is None)  # no address stands in the later part of a split
    is_head = (byte == 0) & has_head
    is_ack = slot == ACKNOWLEDGE_SLOT
    role = np.full(len(bits), DATA, np.uint8)
    ten = (heads & _TEN_BIT_MASK) == _TEN_BIT_WRITE
    role[is_head | ((byte == 1) & has_head & ten.take(segment))] = ADDRESS
    role[is_head & (slot == _READ_WRITE_SLOT)] = READ_WRITE
    role[is_ack] = ACKNOWLEDGE
    by_target = ((heads & 1) == 1).take(segment) & ~is_head
    turn = np.where(by_target != is_ack, TARGET, CONTROLLER).astype(np.uint8)
    turn[is_head & is_ack & (heads == _START_BYTE).take(segment)] = UNKNOWN
    turn[by_target & ~is_ack & _after_nack(bits, is_ack, first, segment, header)] = UNKNOWN
    role[~known], turn[~known] = NO_ROLE, UNKNOWN
    is_whole = known & (begins + 8 <= ends)
    value = np.full(len(bits), -1, np.int16)
    value[is_whole] = eights[begins[is_whole]]
    return BitRoles(
        byte=byte.astype(np.int32),
        slot=slot.astype(np.int8),
        role=role,
        turn=turn,
        value=value,
    )


def _eights(bits: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Every eight bits in a row as a byte, the most significant first."""
    if len(bits) < 8:
        return np.empty(0, np.uint8)
    windows = np.lib.stride_tricks.sliding_window_view(bits, 8)
    eights: npt.NDArray[np.uint8] = windows @ _WEIGHTS  # 255 at most
    return eights


def _heads(
    eights: npt.NDArray[np.uint8],
    first: npt.NDArray[np.intp],
    bits: int,
    header: Header | None,
) -> npt.NDArray[np.uint8]:
    """First byte of each segment; 0 where it has none, which is never looked at.

    Nothing depends on a first byte but what stands behind its eight bits.
    """
    heads = np.zeros(len(first), np.uint8)
    if len(eights):
        heads[:] = eights.take(first, mode="clip") * (first + 8 <= bits)
    if header is not None:
        heads[0] = header.read  # of the first byte only R/W counts here
    return heads


def _after_nack(
    bits: npt.NDArray[np.uint8],
    is_ack: npt.NDArray[np.bool_],
    first: npt.NDArray[np.intp],
    segment: npt.NDArray[np.intp],
    header: Header | None,
) -> npt.NDArray[np.bool_]:
    """Which clocks come after a NACK in their segment."""
    so_far = np.zeros(len(bits) + 1, np.intp)
    np.cumsum(is_ack & (bits == 1), out=so_far[1:])
    before = so_far.take(first)  # NACKs before each segment
    if header is not None and not header.last_acked:
        before[0] = -1
    after = np.zeros(len(bits), np.bool_)
    np.greater(so_far[:-1], before.take(segment), out=after)
    return after
