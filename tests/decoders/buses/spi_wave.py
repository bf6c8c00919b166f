"""Build waves of a serial peripheral bus edge by edge, and read them bit by bit.

The reader is written once more, in plain Python and without a look at the decoder: level by level,
as a device would.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from decoders.buses.spi_format import SpiFormat, SpiLines
from decoders.buses.spi_words import PROBLEMS, SpiWords
from decoders.captures.edges import Edges

SCK, MOSI, MISO, CS, OTHER = range(5)  # bits of the levels


@dataclass(frozen=True, slots=True)
class Word:
    """One row."""

    start_ns: int
    end_ns: int
    device: int
    mosi: int
    miso: int
    bits: int
    problems: tuple[str, ...] = ()


class SpiWave:
    """A bus over time; select CS is active low, OTHER active high, both inactive at first."""

    def __init__(self, form: SpiFormat, *, period_ns: int = 1_000, at_ns: int = 0) -> None:
        self.form, self.half_ns, self.now_ns = form, period_ns // 2, at_ns
        self.idle = int(form.mode >= 2)
        self.level = self.idle << SCK | 1 << CS
        self.rows = [(at_ns, self.level)]

    def set(self, line: int, value: int) -> SpiWave:
        """Set a line now."""
        level = self.level & ~(1 << line) | value << line
        if level != self.level:
            self.level = level
            self.rows.append((self.now_ns, level))
        return self

    def change(self, lines: int) -> SpiWave:
        """Change several lines now, in one row; bit k of `lines` is line k."""
        self.level ^= lines
        self.rows.append((self.now_ns, self.level))
        return self

    def wait(self, ns: int | None = None) -> SpiWave:
        """Let time pass; half a clock by default."""
        self.now_ns += self.half_ns if ns is None else ns
        return self

    def select(self, line: int = CS, *, on: bool = True) -> SpiWave:
        """Select a device, or no longer; half a clock before and after."""
        return self.wait().set(line, int(on != (line == CS))).wait()

    def bits(self, mosi: int, miso: int, count: int) -> SpiWave:
        """So many clock cycles with the first bits of two words."""
        w = self.form.word_bits
        for k in range(count):
            shift = k if self.form.lsb_first else w - 1 - k
            out, back = mosi >> shift & 1, miso >> shift & 1
            if not self.form.mode % 2:
                self.set(MOSI, out).set(MISO, back).wait().set(SCK, 1 - self.idle)
                self.wait().set(SCK, self.idle)
            else:
                self.set(SCK, 1 - self.idle).wait(5).set(MOSI, out).set(MISO, back)
                self.wait(self.half_ns - 5).set(SCK, self.idle).wait()
        return self

    def word(self, mosi: int, miso: int = 0) -> SpiWave:
        """A whole word."""
        return self.bits(mosi, miso, self.form.word_bits)

    def edges(self, until_ns: int | None = None) -> Edges:
        """All rows as one block."""
        return Edges(
            np.array([t for t, _ in self.rows], np.int64),
            np.array([level for _, level in self.rows], np.uint8),
            begins=True,
            until_ns=self.now_ns if until_ns is None else until_ns,
        )


def rows_of(table: SpiWords) -> list[Word]:
    """Rows by their end, then by their start and device."""
    rows = [
        Word(
            int(table.start_ns[i]),
            int(table.end_ns[i]),
            int(table.device[i]),
            int(table.mosi[i]),
            int(table.miso[i]),
            int(table.bits[i]),
            tuple(word for k, word in enumerate(PROBLEMS) if int(table.problems[i]) >> k & 1),
        )
        for i in range(len(table))
    ]
    return sorted(rows, key=lambda row: (row.end_ns, row.start_ns, row.device, row.bits))


@dataclass(slots=True)
class _Device:
    line: int
    active: int
    number: int
    on: bool = False
    begin_ns: int = 0
    off_ns: int | None = None
    problems: set[str] = field(default_factory=set)
    taken: list[tuple[int, int, int, int, bool]] = field(default_factory=list)
    had_bits: bool = False


class PlainReader:
    """Reads one stretch of edges as devices do, one row after another."""

    def __init__(self, lines: SpiLines, form: SpiFormat, glitch_ns: int = 50) -> None:
        self.lines, self.form, self.glitch_ns = lines, form, glitch_ns
        self.devices = [
            _Device(select.line, int(select.active_high), k)
            for k, select in enumerate(lines.selects)
        ]
        self.found: list[Word] = []
        self.stray: list[int] = []

    def read(self, edges: Edges) -> list[Word]:
        """The words of a stretch."""
        rows = list(zip(edges.t_ns.tolist(), edges.levels.tolist(), strict=True))
        begin_ns, before = rows[0]
        for device in self.devices:
            if before >> device.line & 1 == device.active:
                device.on, device.begin_ns, device.problems = True, begin_ns, {"unsynced"}
        lead_ns: int | None = None
        for t_ns, level in rows[1:]:
            changed = before ^ level
            if changed >> self.lines.sck & 1:
                rises = bool(level >> self.lines.sck & 1)
                if rises == (self.form.mode in (0, 3)):
                    self._sample(t_ns, before, lead_ns if self.form.mode % 2 else t_ns)
                lead_ns = t_ns
            for device in self.devices:
                if changed >> device.line & 1:
                    self._select(device, t_ns, before)
            before = level
        self._strayed()
        for device in self.devices:
            if device.on and device.taken:
                self._give(device, edges.until_ns, {"not-observed"})
        return sorted(self.found, key=lambda w: (w.end_ns, w.start_ns, w.device, w.bits))

    def _sample(self, t_ns: int, before: int, lead_ns: int | None) -> None:
        on = [device for device in self.devices if device.on]
        if not on:
            self.stray.append(t_ns)
        for device in on:
            start_ns = max(t_ns if lead_ns is None else lead_ns, device.begin_ns)
            bit = (before >> MOSI & 1, before >> MISO & 1)
            device.taken.append((start_ns, t_ns, *bit, len(on) > 1))
            device.had_bits = True
            if len(device.taken) == self.form.word_bits:
                self._give(device, t_ns, set())

    def _select(self, device: _Device, t_ns: int, before: int) -> None:
        device.on = not device.on
        if device.on:
            self._strayed()
            device.begin_ns, device.had_bits, device.problems = t_ns, False, set()
            if before >> self.lines.sck & 1 != self.form.mode >> 1:
                device.problems.add("idle-level")
            if device.off_ns is not None and t_ns - device.off_ns < self.glitch_ns:
                device.problems.add("select-glitch")
            return
        device.off_ns = t_ns
        if device.taken:
            self._give(device, t_ns, {"cut"})
        elif not device.had_bits:
            short = t_ns - device.begin_ns < self.glitch_ns
            problems = device.problems - {"idle-level"}
            problems |= {"select-glitch" if short else "no-clock"}
            self._add(device.begin_ns, t_ns, device.number, 0, 0, 0, problems)

    def _give(self, device: _Device, end_ns: int, problems: set[str]) -> None:
        taken, device.taken = device.taken, []
        several = {"several-selected"} if any(row[4] for row in taken) else set()
        mosi, miso = (self._value([row[column] for row in taken]) for column in (2, 3))
        problems = device.problems | problems | several
        self._add(taken[0][0], end_ns, device.number, mosi, miso, len(taken), problems)

    def _value(self, bits: list[int]) -> int:
        bits = bits if self.form.lsb_first else bits[::-1]
        return sum(bit << k for k, bit in enumerate(bits))

    def _strayed(self) -> None:
        if self.stray:
            self._add(self.stray[0], self.stray[-1], 255, 0, 0, len(self.stray), {"unselected"})
            self.stray = []

    def _add(
        self,
        start_ns: int,
        end_ns: int,
        device: int,
        mosi: int,
        miso: int,
        bits: int,
        problems: set[str],
    ) -> None:
        told = tuple(word for word in PROBLEMS if word in problems)
        self.found.append(Word(start_ns, end_ns, device, mosi, miso, bits, told))
