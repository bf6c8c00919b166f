"""Time stamps of captures in blocks: any unit of 10**-n or 2**-n seconds, to whole ns."""

from __future__ import annotations

from dataclasses import dataclass

_NS = 1_000_000_000
_LIMIT_NS = 2**63 - 1


@dataclass(frozen=True, slots=True)
class Resolution:
    """What one tick of an interface's stamps is, and what is added to them.

    Attributes:
        per_second: ticks of a second.
        offset_s: seconds to add (`if_tsoffset`).
    """

    per_second: int
    offset_s: int = 0

    def ns(self, ticks: int) -> int:
        """Whole ns since 1970, rounded down; what int64 cannot hold is its end."""
        found = ticks * _NS // self.per_second + self.offset_s * _NS
        return max(-_LIMIT_NS, min(found, _LIMIT_NS))


def resolution_of(tsresol: bytes, offset_s: int) -> Resolution:
    """The resolution an interface's options tell.

    Args:
        tsresol: one byte; its top bit says 2**-n in place of 10**-n. Empty: microseconds.
        offset_s: `if_tsoffset`.
    """
    code = tsresol[0] if tsresol else 6
    exponent = code & 0x7F
    return Resolution((2 if code & 0x80 else 10) ** exponent, offset_s)
