"""Where a transaction stood at a moment: its bits so far, the slot, and whose turn it was.

From edges all of it is known. From the tables alone the slot and the turn are (the decoder told
them with the held line), and the byte only when no clock came after that moment.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from console.diagnosis.held.wire import Wire
from decoders.buses.bit_roles import ACKNOWLEDGE_SLOT, ADDRESS, READ_WRITE, bit_roles
from decoders.buses.transactions import TURNS

Phase = Literal["address", "data", "acknowledge", ""]
Turn = Literal["target", "controller", "cannot say"]
Row = Mapping[str, Any]

UNKNOWN = -1
_TEN_BIT_MASK, _TEN_BIT_WRITE = 0xF9, 0xF0  # 1111 0XX0, UM10204 section 3.1.11
_TURN_WORDS: dict[str, Turn] = {"target": "target", "controller": "controller"}


@dataclass(frozen=True, slots=True)
class Standing:
    """One moment of a transaction. Bytes and bits count from its last START.

    Attributes:
        known_from: `edges`, or `transactions` where only the tables were left.
        byte: on the wire, 0 the first address byte; UNKNOWN.
        slot: 0..8, the acknowledge 8; UNKNOWN when no clock has begun since the START.
        phase: what the slot is for; "" when that is not known.
        turn: who had to drive SDA.
        read: None when R/W had not been sent.
        address: None when it had not been sent.
        bits: of the byte so far, the slot's own included; "" when not known.
        data: data bytes before this one; None when not known.
    """

    known_from: Literal["edges", "transactions"]
    byte: int
    slot: int
    phase: Phase
    turn: Turn
    read: bool | None
    address: int | None
    address_bits: int
    bits: str = ""
    data: bytes | None = None

    @property
    def address_bytes(self) -> int:
        """How many bytes the address takes (UM10204 section 3.1.11: two of a 10-bit write)."""
        return 2 if self.address_bits == 10 and self.read is False else 1

    @property
    def data_byte(self) -> int:
        """Which data byte it is, from 0; below 0 in the address, UNKNOWN - 2 when not told."""
        return UNKNOWN - 2 if self.byte < 0 else self.byte - self.address_bytes

    @property
    def in_address(self) -> bool | None:
        """Whether it is in the address or its acknowledge; None when that is not known."""
        return self.byte < self.address_bytes if self.byte >= 0 else None

    @property
    def is_acknowledge(self) -> bool:
        """Whether the slot is the ninth."""
        return self.slot == ACKNOWLEDGE_SLOT

    @property
    def value_words(self) -> str:
        """The byte as far as it is known, such as `010?????`; "" when nothing is."""
        return self.bits[:8].ljust(8, "?") if self.bits else ""


def standing_on(wire: Wire, at_ns: int) -> Standing | None:
    """Where the transaction stood, from edges; None when none was open, or its START is not kept.

    Args:
        wire: from before the START on.
        at_ns: a time within the hold, when all its lines stand.
    """
    place = int(wire.condition_ns.searchsorted(at_ns, "right")) - 1
    if place < 0 or not wire.is_start[place]:
        return None
    first = int(wire.rise_ns.searchsorted(wire.condition_ns[place], "right"))
    last = int(wire.rise_ns.searchsorted(at_ns, "right"))
    bits = wire.bit[first:last]
    scl, sda = wire.levels_at(at_ns)
    if not scl:  # the slot's clock is still to rise
        bits = np.append(bits, np.uint8(sda))
    if not len(bits):
        return Standing("edges", 0, UNKNOWN, "address", "controller", None, None, 0, data=b"")
    return _standing_in(bits.astype(np.uint8))


def _standing_in(bits: np.typing.NDArray[np.uint8]) -> Standing:
    segment, borders = np.zeros(len(bits), np.intp), np.ones(1, np.bool_)
    roles = bit_roles(bits, segment, borders, whole=len(bits) - 1)
    byte, slot, role = (int(column[-1]) for column in (roles.byte, roles.slot, roles.role))
    octets = [int(roles.value[9 * k]) for k in range(byte)]
    now = "".join(map(str, bits[9 * byte :].tolist()))
    if slot == ACKNOWLEDGE_SLOT:
        octets.append(int(now[:8], 2))
    phase: Phase = "data"
    if slot == ACKNOWLEDGE_SLOT:
        phase = "acknowledge"
    elif role in (ADDRESS, READ_WRITE):
        phase = "address"
    head = octets[0] if octets else None
    ten = head is not None and head & 0xF8 == _TEN_BIT_WRITE
    standing = Standing(
        "edges",
        byte,
        slot,
        phase,
        _TURN_WORDS.get(TURNS[int(roles.turn[-1])], "cannot say"),
        None if head is None else bool(head & 1),
        None if head is None or ten else head >> 1,
        10 if ten else 7 if octets else 0,
        bits=now,
    )
    if head is not None and ten and not head & 1 and len(octets) > 1:
        standing = replace(standing, address=(head >> 1 & 3) << 8 | octets[1])
    return replace(standing, data=bytes(octets[standing.address_bytes : byte]))


def standing_in_rows(transaction: Row | None, state: Row) -> Standing | None:
    """Where it stood, from the decoder's row of the held line; None when in no transaction.

    Args:
        transaction: row of `transactions` the line was held in.
        state: row of `line_states`.
    """
    slot = state.get("bit_slot")
    if slot is None:
        return None
    turn = _TURN_WORDS.get(str(state.get("turn")), "cannot say")
    row: Row = transaction or {}
    read = row.get("read")
    bits = int(row.get("address_bits") or 0)
    standing = Standing("transactions", UNKNOWN, slot, "", turn, read, row.get("address"), bits)
    if slot == ACKNOWLEDGE_SLOT:
        standing = replace(standing, phase="acknowledge")
    elif read and turn == "target":
        standing = replace(standing, phase="data")
    if transaction is None or row["end_ns"] > state["start_ns"] or row["started_by"] == "cut":
        return standing
    data = bytes.fromhex(row.get("data") or "")
    byte = standing.address_bytes + len(data) if row.get("address") is not None else 0
    if standing.phase == "":
        standing = replace(standing, phase="data" if byte >= standing.address_bytes else "address")
    return replace(standing, byte=byte, data=data)
