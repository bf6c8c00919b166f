"""What a serial driver counts beside the bytes: breaks, framing and parity errors, overruns.

Linux drivers count since they were loaded (`TIOCGICOUNT`, struct serial_icounter_struct of
linux/serial.h); what happened is the difference between two looks. Pseudo-terminals, network ports
and some USB drivers count nothing.
"""

from __future__ import annotations

import struct
import sys
from dataclasses import astuple, dataclass

from console.sources.records import Happening

_TIOCGICOUNT = 0x545D  # asm-generic/ioctls.h
# cts dsr rng dcd rx tx frame overrun parity brk buf_overrun, and nine that are reserved
_COUNTS = struct.Struct("=20i")


@dataclass(frozen=True, slots=True)
class Counters:
    """Counts since the driver was loaded; each runs over at 2^32."""

    framing: int = 0
    overrun: int = 0  # in the adapter: a byte came before the one before was fetched
    parity: int = 0
    breaks: int = 0
    buffer: int = 0  # bytes the system had no room for

    def since(self, before: Counters) -> Counters:
        """What happened since an earlier look."""
        pairs = zip(astuple(self), astuple(before), strict=True)
        return Counters(*((now - then) % (1 << 32) for now, then in pairs))

    @property
    def lost(self) -> int:
        """Bytes that are missing, at least."""
        return self.overrun + self.buffer

    def told(self) -> list[tuple[Happening, str]]:
        """What is worth a record, in words."""
        kinds: list[tuple[Happening, int, str]] = [
            ("break", self.breaks, "break"),
            ("framing", self.framing, "framing error"),
            ("parity", self.parity, "parity error"),
            ("lost", self.lost, "overrun: at least so many bytes are missing"),
        ]
        return [(kind, _counted(number, noun)) for kind, number, noun in kinds if number]


def counters_of(descriptor: int) -> Counters | None:
    """What the driver of an open device counts; None when it does not."""
    if sys.platform != "linux":
        return None
    import fcntl

    try:
        answer = fcntl.ioctl(descriptor, _TIOCGICOUNT, bytes(_COUNTS.size))
    except OSError:
        return None
    return unpacked(answer)


def unpacked(answer: bytes) -> Counters:
    """The counters in the driver's answer of 80 bytes, in the machine's byte order."""
    framing, overrun, parity, breaks, buffer = _COUNTS.unpack(answer)[6:11]
    return Counters(*(n % (1 << 32) for n in (framing, overrun, parity, breaks, buffer)))


def _counted(number: int, noun: str) -> str:
    head, colon, tail = noun.partition(":")
    return f"{number:,} {head}{'' if number == 1 else 's'}{colon}{tail}"
