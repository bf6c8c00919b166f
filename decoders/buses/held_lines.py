"""Where in a byte a line was held, and whose turn it was to drive SDA."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.transactions import TURNS

UNKNOWN, CONTROLLER, TARGET = range(len(TURNS))
NO_SLOT = -1


@dataclass(frozen=True, slots=True)
class Header:
    """What the row before said of a transaction that is split into several rows."""

    address: int
    address_bits: int
    read: bool
    address_acked: bool
    last_acked: bool  # whether the last byte before the split was acknowledged


def slot_and_turn(
    bits: npt.NDArray[np.uint8], clocks: int, header: Header | None
) -> tuple[int, int]:
    """The bit slot a transaction stands in, and who drives SDA in it.

    The target drives the acknowledge of address and written bytes and the bits of read bytes; all
    else is the controller's (UM10204 sections 3.1.5, 3.1.6, 3.1.10, 3.1.11). After a NACK it is the
    controller's turn to make a STOP or a repeated START.

    Args:
        bits: uint8[>= clocks] SDA in each whole clock since START, or since the split.
        clocks: whole clocks so far.
        header: for the later part of a split transaction.

    Returns:
        Slot 0..8 (8 the acknowledge) and an index into TURNS.
    """
    byte, slot = divmod(clocks, 9)
    after_nack = bool(bits[clocks - 1]) if byte else header is not None and not header.last_acked
    if slot == 0 and after_nack:
        return slot, CONTROLLER
    if header is not None:
        address_bytes, read = 0, header.read
    elif byte == 0:
        address_bytes, read = 1, False
    else:
        first = int(np.packbits(bits[:8])[0])
        # 10-bit write: a second address byte, UM10204 section 3.1.11
        address_bytes, read = (2 if first & 0xF9 == 0xF0 else 1), bool(first & 1)
    from_target = read and byte >= address_bytes
    return slot, TARGET if from_target != (slot == 8) else CONTROLLER
