"""The data types of MQTT (MQTT 3.1.1 section 1.5, 5.0 section 1.5), read from a packet's bytes."""

from __future__ import annotations

from typing import NamedTuple

_MOST_VARINT = 4


class MalformedError(Exception):
    """A control packet that breaks its standard.

    Args:
        clause: the conformance statement it breaks, `MQTT-2.2.2-2`; where the standards give no
            number, the section: `MQTT 5.0 section 2.2.2`.
        what: what is wrong, one clause. It has no text of the packet in it.
    """

    def __init__(self, clause: str, what: str) -> None:
        super().__init__(f"[{clause}] {what}")
        self.clause = clause
        self.what = what


class Reader:
    """Takes one value after another from a packet's body.

    Args:
        body: what follows the Remaining Length.
        version: protocol level, 3 to 5.
        end: where to stop; the whole body if left out.
    """

    def __init__(self, body: bytes, version: int, at: int = 0, end: int | None = None) -> None:
        self.body = body
        self.version = version
        self.at = at
        self.end = len(body) if end is None else end

    @property
    def left(self) -> int:
        """Bytes not taken yet."""
        return self.end - self.at

    def take(self, count: int) -> bytes:
        """The next bytes."""
        if count > self.left:
            raise MalformedError(self.section("2.2.3", "2.1.4"), "it is too short for what it says")
        self.at += count
        return self.body[self.at - count : self.at]

    def section(self, old: str, new: str) -> str:
        """A section of the standard that the packet is of."""
        return f"MQTT 5.0 section {new}" if self.version >= 5 else f"MQTT 3.1.1 section {old}"

    def byte(self) -> int:
        """The next byte."""
        return self.take(1)[0]

    def u16(self) -> int:
        """The next two bytes, big endian."""
        return int.from_bytes(self.take(2), "big")

    def u32(self) -> int:
        """The next four bytes, big endian."""
        return int.from_bytes(self.take(4), "big")

    def varint(self) -> int:
        """A Variable Byte Integer (5.0 section 1.5.5)."""
        found = varint_at(self.body[: self.end], self.at)
        if found is None:
            self.take(self.left + 1)  # too short
            return 0
        if not found.is_shortest:
            raise MalformedError("MQTT-1.5.5-1", "a number not in its shortest form")
        self.at = found.end
        return found.value

    def binary(self) -> bytes:
        """Bytes with their length before them."""
        return self.take(self.u16())

    def text(self) -> str:
        """A string, which must be UTF-8 without U+0000 (3.1.1 section 1.5.3, 5.0 section 1.5.4)."""
        raw = self.binary()
        try:
            text = raw.decode()
        except UnicodeDecodeError:
            clause = "MQTT-1.5.4-1" if self.version >= 5 else "MQTT-1.5.3-1"
            raise MalformedError(clause, "a string that is not UTF-8") from None
        if "\0" in text:
            clause = "MQTT-1.5.4-2" if self.version >= 5 else "MQTT-1.5.3-2"
            raise MalformedError(clause, "a string with U+0000 in it")
        return text

    def skip_binary(self) -> None:
        """Pass over bytes with their length before them, without looking at them."""
        self.take(self.u16())

    def done(self) -> None:
        """Nothing may be left."""
        if self.left:
            what = f"{self.left} bytes more than it has fields for"
            raise MalformedError(self.section("2.2.3", "2.1.4"), what)


class Varint(NamedTuple):
    """A Variable Byte Integer, such as a Remaining Length."""

    value: int
    end: int  # where it ends
    is_shortest: bool  # MQTT 5.0 [MQTT-1.5.5-1] asks for that; 3.1.1 does not


def varint_at(data: bytes, at: int) -> Varint | None:
    """The Variable Byte Integer at an offset; None while bytes of it are missing.

    The loop printed in MQTT 3.1.1 section 2.2.3 tests its multiplier too late and would refuse
    every length of four bytes; MQTT 5.0 section 1.5.5 has it right.

    Raises:
        MalformedError: when the fourth byte says that more follow.
    """
    value = 0
    for k in range(_MOST_VARINT):
        if at + k >= len(data):
            return None
        byte = data[at + k]
        value |= (byte & 0x7F) << 7 * k
        if byte < 0x80:
            return Varint(value, at + k + 1, bool(byte) or not k)
    raise MalformedError("MQTT 3.1.1 section 2.2.3", "a Remaining Length of more than 4 bytes")
