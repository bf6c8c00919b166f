"""How a target misbehaves; a manner is put on a target and taken off again while it runs.

A new kind of failure of a device is a new class here: it overrides the one decision it spoils.
"""

from __future__ import annotations

from collections.abc import Callable


class Manner:
    """A target's own decisions about the bus, all of them right."""

    def deaf(self) -> bool:
        """Whether it leaves its own address unacknowledged."""
        return False

    def refuses(self, taken: int) -> bool:
        """Whether it leaves a written byte unacknowledged, having taken so many in this write."""
        return False

    def byte_out(self, sent: int, next_byte: Callable[[], int]) -> int:
        """The byte that goes out after `sent` others of this read; 0xFF leaves SDA alone."""
        return next_byte()

    def keeps_data(self, sent: int, bit: int) -> bool:
        """Whether it never lets go of this low bit (`sent` counts the byte it is in from 1)."""
        return False

    def clock_hold_ns(self, done: int) -> int | None:
        """How long it holds SCL after so many data bytes, more than its nature; None: for ever."""
        return 0


class Deaf(Manner):
    """Never acknowledges its address: face F5, asks and nobody answers."""

    def deaf(self) -> bool:
        """Always."""
        return True


class Refusing(Manner):
    """Takes `after` bytes of every write and no more (UM10204 section 3.1.6, reasons 3 and 4)."""

    def __init__(self, after: int) -> None:
        self._after = after

    def refuses(self, taken: int) -> bool:
        """From the byte after the last it takes."""
        return taken >= self._after


class Filler(Manner):
    """Acknowledges and then leaves SDA alone, at once or `after` bytes: all ones."""

    def __init__(self, after: int = 0) -> None:
        self._after = after

    def byte_out(self, sent: int, next_byte: Callable[[], int]) -> int:
        """All ones from there on."""
        return next_byte() if sent < self._after else 0xFF


class HoldsData(Manner):
    """Keeps the first low bit low that it sends at or after a place, until its power goes."""

    def __init__(self, byte: int = 1, bit: int = 0) -> None:
        self._from = (byte, bit)

    def keeps_data(self, sent: int, bit: int) -> bool:
        """From that place on."""
        return (sent, bit) >= self._from


class HoldsClock(Manner):
    """Holds SCL once in every transaction.

    Args:
        length_ns: for how long; None: until its power goes.
        after: data bytes sent or taken before it does.
    """

    def __init__(self, length_ns: int | None, after: int = 0) -> None:
        self._length_ns = length_ns
        self._after = after

    def clock_hold_ns(self, done: int) -> int | None:
        """At that place only."""
        return self._length_ns if done == self._after else 0
