"""Build waves of one serial line bit by bit, cut them, and decode them."""

from __future__ import annotations

import random
from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from decoders.buses.serial_bytes import SerialBytes, concatenated, problem_words
from decoders.buses.uart import UartDecoder
from decoders.buses.uart_format import Parity, UartFormat
from decoders.captures.edges import Edges

BAUD, BIT_NS = 100_000, 10_000  # bits of whole ns


class Byte(NamedTuple):
    """One row of the table."""

    start_ns: int
    end_ns: int
    value: int
    problems: tuple[str, ...] = ()


class SerialWave:
    """A sender on a line that idles high.

    Args:
        baud: of the sender.
        frame: its format.
        at_ns: time of the first row.
        high: level of the first row.
        jitter_ns: edges come up to this much early or late.
    """

    def __init__(
        self,
        baud: float = 115_200,
        frame: UartFormat | None = None,
        *,
        at_ns: int = 0,
        high: bool = True,
        jitter_ns: int = 0,
        seed: int = 0,
    ) -> None:
        self.frame = frame or UartFormat()
        self.bit_ns = 1_000_000_000 / Fraction(baud)
        self.now = Fraction(at_ns)
        self.level = int(high)
        self.rows = [(at_ns, self.level)]
        self.sent: list[int] = []
        self.starts: list[int] = []
        self._jitter_ns, self._random = jitter_ns, random.Random(seed)

    def set(self, level: int) -> SerialWave:
        """Set the line now."""
        if level != self.level:
            jitter = self._random.randint(-self._jitter_ns, self._jitter_ns)
            self.rows.append((max(round(self.now) + jitter, self.rows[-1][0]), level))
            self.level = level
        return self

    def wait(self, bits: float) -> SerialWave:
        """Let bit times pass."""
        self.now += self.bit_ns * Fraction(bits)
        return self

    def bits(self, levels: Sequence[int]) -> SerialWave:
        """Whole bits."""
        for level in levels:
            self.set(level).wait(1)
        return self

    def byte(
        self,
        value: int,
        *,
        wrong_parity: bool = False,
        stop: int = 1,
        stop_bits: float | None = None,
    ) -> SerialWave:
        """One byte with its stop bits; leaves the line at `stop`."""
        data = [value >> k & 1 for k in range(self.frame.data_bits)]
        self.set(0)
        self.sent.append(value)
        self.starts.append(self.rows[-1][0])
        self.wait(1).bits(data)
        if self.frame.parity != "none":
            right = {"even": sum(data) % 2, "odd": 1 - sum(data) % 2, "mark": 1, "space": 0}
            self.bits([right[self.frame.parity] ^ wrong_parity])
        return self.set(stop).wait(self.frame.stop_bits if stop_bits is None else stop_bits)

    def text(self, data: bytes, idle_bits: float = 0) -> SerialWave:
        """Bytes with some idle time after each."""
        for value in data:
            self.byte(value).set(1).wait(idle_bits)
        return self

    def low(self, bits: float) -> SerialWave:
        """A low pulse; leaves the line high."""
        return self.set(0).wait(bits).set(1)

    def edges(self, *, until_ns: int | None = None, begins: bool = True, bit: int = 0) -> Edges:
        """All rows as one block, known up to now."""
        return edges_of(self.rows, round(self.now) if until_ns is None else until_ns, begins, bit)


def edges_of(
    rows: Sequence[tuple[int, int]], until_ns: int, begins: bool = True, bit: int = 0
) -> Edges:
    """Edges of (t_ns, level) rows, the level in one bit."""
    return Edges(
        np.array([t for t, _ in rows], np.int64),
        np.array([level << bit for _, level in rows], np.uint64)
        if bit >= 8
        else np.array([level << bit for _, level in rows], np.uint8),
        begins,
        max(until_ns, rows[-1][0]),
    )


def sampled(edges: Edges, period_ns: float, phase: float = 0.5) -> Edges:
    """What a sampler would have seen; changes between samples are lost."""
    first, last = int(edges.t_ns[0]), edges.until_ns
    number = np.arange(int((last - first) / period_ns) + 1)
    times = np.rint(first + (number + phase) * period_ns).astype(np.int64)
    times = times[times <= last]
    levels = edges.levels[edges.t_ns.searchsorted(times, "right") - 1]
    kept = np.flatnonzero(np.diff(levels, prepend=levels[:1] ^ 1))
    return Edges(times[kept], levels[kept], edges.begins, int(times[-1]))


def inverted(edges: Edges) -> Edges:
    """The other level of bit 0."""
    levels = edges.levels.astype(np.uint8)
    return Edges(edges.t_ns, levels ^ np.uint8(1), edges.begins, edges.until_ns)


def blocks_of(edges: Edges, cuts: Sequence[int], until: Sequence[float] = ()) -> list[Edges]:
    """One block cut at rows; each piece is known up to some share of the way to the next."""
    n = len(edges.t_ns)
    places = [0, *sorted(min(cut, n) for cut in cuts if cut), n]
    pieces = []
    for k, (a, b) in enumerate(pairwise(places)):
        last = int(edges.t_ns[max(b - 1, 0)])
        following = int(edges.t_ns[b]) if b < n else edges.until_ns
        share = until[k % len(until)] if until else 0.0
        known = edges.until_ns if b == n else last + int((following - last) * share)
        begins = edges.begins and a == 0 and b > a
        pieces.append(Edges(edges.t_ns[a:b], edges.levels[a:b], begins, known))
    return pieces


def rows_of(table: SerialBytes) -> list[Byte]:
    """One tuple a row, problems as words; the two truths are checked against the words."""
    rows = []
    for k in range(len(table)):
        words = tuple(problem_words(int(table.problems[k])))
        assert bool(table.parity_ok[k]) == ("parity" not in words)
        assert bool(table.framing_ok[k]) == (not {"framing", "break"} & set(words))
        start_ns, end_ns = int(table.start_ns[k]), int(table.end_ns[k])
        rows.append(Byte(start_ns, end_ns, int(table.value[k]), words))
    return rows


def decoded(decoder: UartDecoder, blocks: Sequence[Edges]) -> list[Byte]:
    """All rows of a decoder fed with blocks and finished."""
    return rows_of(concatenated([*(decoder.feed(block) for block in blocks), decoder.finish()]))


def bytes_of(edges: Edges, baud: float = 115_200, frame: UartFormat | None = None) -> list[Byte]:
    """All rows of one block."""
    return decoded(decoder_of(frame or UartFormat(), baud), [edges])


def decoder_of(
    frame: UartFormat, baud: float, *, line: int = 0, wait_ns: int | None = None
) -> UartDecoder:
    """A decoder of a format."""
    parity: Parity = frame.parity
    return UartDecoder(
        line,
        baud=baud,
        data_bits=frame.data_bits,
        parity=parity,
        stop_bits=frame.stop_bits,
        wait_ns=wait_ns,
    )


def idle_wave(baud: float = BAUD, frame: UartFormat | None = None) -> SerialWave:
    """A sender after long enough idle time."""
    return SerialWave(baud, frame).wait(15)


def values(rows: list[Byte]) -> list[int]:
    """The values alone."""
    return [row.value for row in rows]
