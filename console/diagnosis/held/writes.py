"""What clocks beyond the needed one write when a target waits for the next byte of a write.

With SDA released each clock is a 1 of that byte; eight of them and the fall of the ninth make FF.
Which register it goes to rests on the usual register file: the first data byte says where, the rest
go there and on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from console.diagnosis.held.standing import Standing

BYTE_CLOCKS = 8
_SLOTS = 9


@dataclass(frozen=True, slots=True)
class CouldWrite:
    """What more clocks than the one that frees SDA could write.

    Attributes:
        register: the one at risk; None while the register byte itself had not come.
        from_clock: this many clocks complete a byte for it.
        words: the same in a sentence.
    """

    register: int | None
    from_clock: int
    words: str


def could_write(standing: Standing) -> CouldWrite | None:
    """What extra clocks could write; None when no write is open at an acknowledge."""
    if standing.read is not False or not standing.is_acknowledge or standing.turn != "target":
        return None
    taken = _taken(standing)
    if taken is None:
        words = (
            "Clocks beyond the first are bits of the next written byte: eight of them may write FF "
            "to a register that the transactions alone do not name."
        )
        return CouldWrite(None, BYTE_CLOCKS, words)
    if standing.in_address and standing.byte + 1 < standing.address_bytes:
        words = "Clocks beyond the first are bits of the second address byte."
        return CouldWrite(None, BYTE_CLOCKS, words)
    if not taken:
        words = (
            "Clocks beyond the first are bits of the first data byte, for most parts the register: "
            "eight make it FF, and nine more may write to register 0xFF."
        )
        return CouldWrite(None, BYTE_CLOCKS, words)
    register = _register(taken, len(taken) - 1)
    counting = "" if len(taken) == 1 else ", if it counts up from the first"
    words = (
        "Clocks beyond the first are bits of the next data byte: eight of them may write FF to "
        f"register 0x{register:02X}{counting}."
    )
    return CouldWrite(register, BYTE_CLOCKS, words)


def _taken(standing: Standing) -> bytes | None:
    """The data bytes the target has, the one it is acknowledging too."""
    if standing.data is None:
        return None
    if standing.in_address:
        return standing.data
    if not standing.bits:  # of this byte only its place is known: no use as the register
        return standing.data + b"\0" if standing.data else None
    return standing.data + bytes([int(standing.bits[:BYTE_CLOCKS], 2)])


def _register(taken: bytes, at: int) -> int:
    """The register of data byte `at` behind the register byte."""
    return taken[0] + at & 0xFF


def written_by(standing: Standing, bits: Sequence[int]) -> tuple[tuple[int | None, int], ...]:
    """Whole bytes that clocks put into an open write: register (None: the register byte), value.

    Args:
        standing: at the acknowledge of a write, where the clocks began.
        bits: SDA in each clock; a byte counts until one is not acknowledged.
    """
    taken = _taken(standing) if could_write(standing) else None
    if taken is None or (standing.in_address and standing.byte + 1 < standing.address_bytes):
        return ()
    found: list[tuple[int | None, int]] = []
    for begin in range(0, len(bits) - BYTE_CLOCKS + 1, _SLOTS):
        octet = int("".join(map(str, bits[begin : begin + BYTE_CLOCKS])), 2)
        found.append((_register(taken, len(taken) - 1) if taken else None, octet))
        taken += bytes([octet])
        acknowledge = bits[begin + BYTE_CLOCKS : begin + _SLOTS]
        if list(acknowledge) != [0]:
            break
    return tuple(found)
