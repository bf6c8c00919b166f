"""A serial line read bit by bit in exact numbers, as a receiver does."""

from __future__ import annotations

from fractions import Fraction

from decoders.buses.uart_format import UartFormat
from decoders.captures.edges import Edges
from tests.decoders.buses.serial_wave import Byte

NEVER = 1 << 62


class PlainReceiver:
    """One observed stretch read bit by bit, in exact numbers: what the decoder is held against."""

    def __init__(self, edges: Edges, baud: int, frame: UartFormat) -> None:
        self.bit_ns = 1_000_000_000 / Fraction(baud)
        self.frame, self.until_ns = frame, edges.until_ns
        levels = [int(level) & 1 for level in edges.levels]
        times = [int(t) for t in edges.t_ns]
        self.begin_ns, self.begins_high = times[0], levels[0] == 1
        changes = [t for k, t in enumerate(times[1:], 1) if levels[k] != levels[k - 1]]
        if not self.begins_high:
            changes = [times[0], *changes]
        self.pulses = [
            (fall, changes[2 * k + 1] if 2 * k + 1 < len(changes) else NEVER)
            for k, fall in enumerate(changes[::2])
        ]
        self.frame_ns = round(self.bit_ns * Fraction(frame.frame_bits))

    def high_before(self, t: Fraction) -> bool:
        """The level just before t."""
        return not any(fall < t <= rise for fall, rise in self.pulses)

    def is_break(self, fall: int, rise: int) -> bool:
        return min(rise, self.until_ns) - fall > self.frame_ns

    def read(self) -> list[Byte]:
        """All rows."""
        rows: list[Byte] = []
        at, run, high_from = 0, 0, self.begin_ns
        if not self.begins_high:
            fall, rise = self.pulses[0]
            if self.is_break(fall, rise):
                rows.append(Byte(fall, min(rise, self.until_ns), 0, ("break", "cut")))
                run = 16
            at, high_from = 1, rise
        while at < len(self.pulses):
            fall, rise = self.pulses[at]
            if rise - fall < self.bit_ns / 2:
                high_from, at = rise, at + 1
                continue
            synced = run >= 16 or fall - high_from >= self.frame_ns
            row, following = self._one(at)
            words = set(row.problems) | (set() if synced else {"unsynced"})
            order = ("framing", "parity", "break", "cut", "glitch", "unsynced", "short-stop")
            rows.append(row._replace(problems=tuple(word for word in order if word in words)))
            if "break" in words or (synced and run >= 16) or fall - high_from >= self.frame_ns:
                run = NEVER
            else:
                run = 0 if "framing" in words else run + 1
            high_from, at = self.pulses[following - 1][1], following
        return rows

    def _one(self, at: int) -> tuple[Byte, int]:
        """The row that begins with a pulse, and the pulse that may begin the next."""
        fall, rise = self.pulses[at]
        if self.is_break(fall, rise):
            seen = ("break",) if rise != NEVER else ("break", "cut")
            return Byte(fall, min(rise, self.until_ns), 0, seen), at + 1
        following = at + 1
        stop = fall + self.bit_ns * (Fraction(1, 2) + self.frame.samples)
        while (
            following < len(self.pulses)
            and self.pulses[following][0] < stop
            and not self.is_break(*self.pulses[following])
        ):
            following += 1
        moments = [fall + self.bit_ns * (k + Fraction(3, 2)) for k in range(self.frame.samples)]
        levels = [self.high_before(t) for t in moments if t <= self.until_ns]
        words: set[str] = set()
        data = self.frame.data_bits
        value = sum(level << k for k, level in enumerate(levels[:data]))
        if len(levels) < self.frame.samples - 1:
            value = -1
        elif self.frame.parity != "none":
            ones = sum(levels[:data]) % 2
            right = {"even": ones, "odd": 1 - ones, "mark": 1, "space": 0}[self.frame.parity]
            words |= set() if levels[data] == right else {"parity"}
        following_ns = self.pulses[following][0] if following < len(self.pulses) else NEVER
        end_ns = min(fall + self.frame_ns, following_ns, self.until_ns)
        if len(levels) < self.frame.samples:
            return Byte(fall, self.until_ns, value, ("cut", *words)), len(self.pulses)
        words |= set() if levels[-1] else {"framing"}
        last_stop = fall + self.bit_ns * (Fraction(self.frame.frame_bits) - Fraction(1, 2))
        words |= {"short-stop"} if stop <= following_ns < last_stop else set()
        for k in range(at, following):
            low = self.pulses[k][1] - self.pulses[k][0]
            high = self.pulses[k][0] - self.pulses[k - 1][1] if k > at else NEVER
            if min(low, high) < self.bit_ns / 2 and self.pulses[k][0] < stop:
                words.add("glitch")
        return Byte(fall, end_ns, value, tuple(words)), following
