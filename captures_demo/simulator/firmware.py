"""A controller board: its tick, its tasks' sleep, its prints and the serial port they leave by."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from captures_demo.simulator.clocks import Clock, Piece
from captures_demo.simulator.run import PrintTruth
from captures_demo.simulator.schedule import Schedule

BITS_OF_A_BYTE = 10  # 8N1: a start bit, eight data bits, a stop bit


@dataclass(frozen=True, slots=True)
class Tick:
    """The counter firmware stamps its prints with.

    Args:
        bits: its width; it rolls over to 0.
        unit_ns: length of one tick by the board's own oscillator.
        first: its value at boot; a preset near the top makes a rollover come early.
        pattern: how it is printed.
    """

    bits: int = 32
    unit_ns: int = 1_000
    first: int = 0
    pattern: str = "[{:>10}]"


class SerialPort:
    """The transmitting half of a UART with a buffer that never fills.

    Args:
        schedule: the run's event queue.
        baud: line rate; 8 data bits, no parity, 1 stop bit.
    """

    def __init__(self, schedule: Schedule, baud: int = 115_200) -> None:
        self.sent: list[tuple[int, bytes]] = []  # true time of the last stop bit, the bytes
        self._schedule = schedule
        self._baud = baud
        self._free_ns = 0

    def send(self, data: bytes) -> None:
        """Queue bytes for the line."""
        begin_ns = max(self._free_ns, self._schedule.now_ns)
        self._free_ns = begin_ns + len(data) * BITS_OF_A_BYTE * 10**9 // self._baud
        self.sent.append((self._free_ns, data))


class Board:
    """A board that has booted at a true time.

    Args:
        schedule: the run's event queue.
        name: for the truth.
        boot_ns: true time of the boot.
        rate_ppb: how much too fast its oscillator is.
        tick: its counter.
        baud: of its serial port.
    """

    def __init__(
        self,
        schedule: Schedule,
        name: str,
        *,
        boot_ns: int = 0,
        rate_ppb: int = 0,
        tick: Tick | None = None,
        baud: int = 115_200,
    ) -> None:
        self.schedule = schedule
        self.name = name
        self.tick = tick or Tick()
        first_ns = self.tick.first * self.tick.unit_ns
        self.clock = Clock(f"{name} tick", pieces=[Piece(boot_ns, first_ns, rate_ppb)])
        self.port = SerialPort(schedule, baud)
        self.prints: list[PrintTruth] = []

    def ticks(self) -> int:
        """The counter now, not rolled over."""
        return self.clock.exact(self.schedule.now_ns) // self.tick.unit_ns

    def uptime_ns(self) -> int:
        """Time since boot by its own oscillator."""
        return self.clock.exact(self.schedule.now_ns) - self.clock.pieces[-1].native_ns

    def until(self, uptime_ns: int) -> int:
        """For a task to yield: the true time from now to an uptime; 0 when it has passed."""
        native_ns = self.clock.pieces[-1].native_ns + uptime_ns
        return max(0, self.clock.true(native_ns) - self.schedule.now_ns)

    def print(self, level: str, text: str) -> None:
        """Print a line with the tick of now; it leaves by the serial port in its time."""
        tick = self.ticks() % (1 << self.tick.bits)
        self.prints.append(PrintTruth(self.schedule.now_ns, tick, level, text))
        stamp = self.tick.pattern.format(tick)
        self.port.send(f"{stamp} {level} {text}\r\n".encode())


@dataclass(frozen=True, slots=True)
class SerialAdapter:
    """How a host's adapter hands on serial bytes: when its buffer is full, or its timer ends.

    Usual defaults: 62 bytes or 16 ms, whichever comes first.
    """

    timer_ns: int = 16_000_000
    buffer_bytes: int = 62

    def deliveries(
        self, sent: list[tuple[int, bytes]], baud: int = 115_200
    ) -> Iterator[tuple[int, bytes]]:
        """Pieces as the host gets them, with their true time of arrival."""
        byte_ns = BITS_OF_A_BYTE * 10**9 // baud
        held = bytearray()
        due_ns = 0
        for end_ns, data in sent:
            for back, value in zip(range(len(data) - 1, -1, -1), data, strict=True):
                at_ns = end_ns - back * byte_ns
                if held and at_ns > due_ns:
                    yield due_ns, bytes(held)
                    held.clear()
                if not held:
                    due_ns = (at_ns // self.timer_ns + 1) * self.timer_ns
                held.append(value)
                if len(held) == self.buffer_bytes:
                    yield at_ns, bytes(held)
                    held.clear()
        if held:
            yield due_ns, bytes(held)
