"""What targets are: register files, devices that answer packets with packets, slow ones."""

from __future__ import annotations

from collections.abc import Callable

import anycrc

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.target import Target

_PEC = anycrc.Model("CRC8-SMBUS")


def pec(covered: bytes) -> int:
    """SMBus packet error code: CRC-8/SMBUS over all bytes on the wire, addresses included."""
    return int(_PEC.calc(covered))


class RegisterFile(Target):
    """256 byte registers; the first byte written says where, the rest go there and on.

    Args:
        bus: the bus.
        name: the device's name.
        address: its address.
        registers: what they hold at the start; padded with zeros.
        with_pec: reads end, after `word_bytes`, with an SMBus PEC.
        word_bytes: length of a read that ends with a PEC.
        options: as `Target` takes them.
    """

    def __init__(
        self,
        bus: Bus,
        name: str,
        address: int,
        *,
        registers: bytes = b"",
        with_pec: bool = False,
        word_bytes: int = 2,
        **options: bool | int,
    ) -> None:
        super().__init__(bus, name, address, **options)  # type: ignore[arg-type]
        self.registers = bytearray(registers.ljust(256, b"\0")[:256])
        self.on_read: Callable[[int], None] = lambda register: None  # before its byte is sent
        self._with_pec = with_pec
        self._word_bytes = word_bytes
        self._at = 0
        self._covered = bytearray()  # of the PEC
        self._fresh = True  # the next written byte is the pointer

    def addressed(self, *, read: bool) -> None:
        """Begin a write with the pointer; a read goes on from it."""
        self._fresh = True
        self._covered.append(self.bus_address << 1 & 0xFF | read)

    def received(self, value: int) -> bool:
        """Take the pointer, or a byte for a register."""
        self._covered.append(value)
        if self._fresh:
            self._at, self._fresh = value, False
        else:
            self.registers[self._at] = value
            self._at = self._at + 1 & 0xFF
        return True

    def next_byte(self) -> int:
        """The register, or the PEC after the word."""
        if self._with_pec and self.sent == self._word_bytes:
            return pec(bytes(self._covered))
        self.on_read(self._at)
        value = self.registers[self._at]
        self._at = self._at + 1 & 0xFF
        self._covered.append(value)
        return value

    def stopped(self) -> None:
        """A PEC covers what lies between START and STOP."""
        self._covered.clear()


class BlockDevice(Target):
    """Answers a written request with a reply to be read; past its end it sends nothing (ones).

    Args:
        bus: the bus.
        name: the device's name.
        address: its address.
        answer: makes the reply of a request, once its write has ended.
        options: as `Target` takes them.
    """

    def __init__(
        self,
        bus: Bus,
        name: str,
        address: int,
        *,
        answer: Callable[[bytes], bytes],
        **options: bool | int,
    ) -> None:
        super().__init__(bus, name, address, **options)  # type: ignore[arg-type]
        self._answer = answer
        self._request = bytearray()
        self._reply = b""

    def addressed(self, *, read: bool) -> None:
        """A write begins a new request; a read after a repeated START ends it."""
        if read and self._request:
            self.stopped()
        self._request.clear()

    def received(self, value: int) -> bool:
        """Take a byte of the request."""
        self._request.append(value)
        return True

    def next_byte(self) -> int:
        """The next byte of the reply."""
        return self._reply[self.sent] if self.sent < len(self._reply) else 0xFF

    def stopped(self) -> None:
        """Work out the reply to a request that is whole now."""
        if self._request:
            self._reply = self._answer(bytes(self._request))
            self._request.clear()


class Stretchy(RegisterFile):
    """A register file that is slow: it holds SCL after every byte for `slow_ns`."""

    def __init__(
        self, bus: Bus, name: str, address: int, *, slow_ns: int, **options: bool | int
    ) -> None:
        super().__init__(bus, name, address, **options)  # type: ignore[arg-type]
        self.slow_ns = slow_ns

    def stretch_ns(self, *, read: bool) -> int:
        """The same after each byte."""
        return self.slow_ns
