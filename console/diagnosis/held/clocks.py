"""How many clocks make the holder let go of SDA (UM10204 section 3.1.16), and how sure that is.

A clock is one fall and one rise of SCL, SDA released by whoever gives it. With SCL high, a target
that sends a byte moves on to its next bit at each fall: it lets go of SDA at the first 1, and
after its last bit, in the acknowledge, in any case. One that acknowledges a written byte lets go at
the first fall. One that acknowledges its address for a read sends its first bit from there on.

So the least is one clock, the most is one more than the bits it has still to send, and with these
bits the number is exact. Every number between is reached with some bits: the range is tight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from console.diagnosis.held.standing import Standing

_BITS = 8


@dataclass(frozen=True, slots=True)
class Clocks:
    """What is predicted of the clocks that free SDA."""

    least: int
    most: int
    why: str

    @property
    def exact(self) -> bool:
        """Whether it is one number whatever the target has to send."""
        return self.least == self.most

    @property
    def words(self) -> str:
        """`exactly 1 clock`, `1 to 6 clocks`."""
        if not self.exact:
            return f"{self.least} to {self.most} clocks"
        return f"exactly {self.most} clock{'s' * (self.most != 1)}"


def bits_to_come(standing: Standing) -> int | None:
    """How many bits the target has to send before it must let go.

    None when a target in step had no reason to hold SDA: nothing can be predicted then.
    """
    if standing.turn != "target" or standing.slot < 0 or standing.read is None:
        return None
    if standing.is_acknowledge:
        return _BITS if standing.read else 0
    return _BITS - 1 - standing.slot if standing.read else None


def clocks_to_free(standing: Standing) -> Clocks | None:
    """The range of clocks that free SDA held where the transaction stands; None: none can be told.

    It holds for a target that is in step with the bits on the wire and whose lines are sound.
    """
    bits = bits_to_come(standing)
    if bits is None and standing.is_acknowledge and standing.turn == "target":
        return Clocks(1, _BITS + 1, "whether it acknowledges for a read or a write was not kept")
    if bits is None:
        return None
    if not bits and standing.is_acknowledge:
        return Clocks(1, 1, "the target lets go of its acknowledge at the next fall of SCL")
    if not bits:
        why = (
            "the last bit of the byte: the next clock is the acknowledge, where the target lets go"
        )
        return Clocks(1, 1, why)
    where = "its first byte" if standing.is_acknowledge else "this byte"
    bits_words = f"{bits} bit{'s' * (bits != 1)}"
    why = f"{bits_words} of {where} still to come: it lets go at the first 1, or in the acknowledge"
    return Clocks(1, bits + 1, why)


def clocks_with(standing: Standing, coming: Sequence[int]) -> int:
    """The exact number, when the bits the target has still to send are known.

    Args:
        standing: where SDA is held, with `bits_to_come` a number.
        coming: those bits in order, 0 or 1.

    Raises:
        ValueError: if they are not as many as there are to come.
    """
    bits = bits_to_come(standing)
    if bits is None or len(coming) != bits:
        raise ValueError(f"{bits} bits are still to come, not {len(coming)}")
    return list(coming).index(1) + 1 if 1 in coming else bits + 1


def coming_of(standing: Standing, octet: int) -> list[int] | None:
    """The bits still to come if the byte being sent (or to be sent) is this one.

    None when the bits seen so far are not its, or when none are to come.
    """
    bits = bits_to_come(standing)
    if not bits:
        return None
    whole = f"{octet:08b}"
    if not standing.is_acknowledge:
        seen = standing.bits or "?" * standing.slot + "0"  # held low: that bit is a 0
        if any(s not in ("?", w) for s, w in zip(seen, whole, strict=False)):
            return None
    return [int(bit) for bit in whole[_BITS - bits :]]
