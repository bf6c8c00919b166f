"""A serial peripheral bus (SPI) from edges to words, as a fold.

A device takes a bit at every sampling edge of the clock while it is selected, and counts words from
the moment it was selected. Where no select is observed, a pause of the clock begins a new word.

A select that ends inside a word, clocks while no device is selected, a select without a clock and
one too short to be meant are rows of their own, or problems of the words they touch; none of them
stops the reading.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.spi_clocks import Bits, Clocked, ClockReader, Rows, Times, rows_with
from decoders.buses.spi_device import DeviceWords, Spans
from decoders.buses.spi_format import SpiFormat, SpiLines
from decoders.buses.spi_words import (
    NOBODY,
    SpiWords,
    by_end,
    concatenated,
    no_words,
    problem_bit,
    spi_words,
)
from decoders.captures.edges import Edges

_BLOCK = 1 << 17  # rows at a time: larger falls out of the cache, smaller costs calls
_GLITCH, _IDLE_LEVEL = problem_bit("select-glitch"), problem_bit("idle-level")
_UNSELECTED = problem_bit("unselected")
_NEVER = -(1 << 62)  # a deselect that was not seen


class SpiDecoder:
    """Decode one bus; however the edges are cut into blocks, all rows together are the same.

    Args:
        lines: the lines of the bus.
        form: how words are read.
        glitch_ns: a select without a clock, or a deselect, that is shorter is a glitch.
        pause_ns: where there is no select: a clock that stands still for longer ends a word.

    Raises:
        ValueError: if there is no select and no pause.
    """

    def __init__(
        self,
        lines: SpiLines,
        form: SpiFormat,
        *,
        glitch_ns: int = 50,
        pause_ns: int | None = None,
    ) -> None:
        if not lines.selects and not pause_ns:
            raise ValueError("pause_ns: without a select, words are told apart by pauses")
        self.lines, self.form = lines, form
        self._glitch_ns, self._pause_ns = glitch_ns, pause_ns or 0
        self._clock = ClockReader(lines, form)
        by_select = bool(lines.selects)
        self._devices = [
            DeviceWords(k, form, glitch_ns, tells_empty=by_select)
            for k in range(max(1, len(lines.selects)))
        ]
        self._off_ns: list[int | None] = [None] * len(self._devices)  # last deselect
        self._stray: tuple[int, int, int] | None = None  # start, end and number of clocks
        self._is_begun = False
        self._edge_ns = 0  # the last clock edge of the stretch, or its beginning
        self._until_ns = 0

    def feed(self, edges: Edges) -> SpiWords:
        """Take the next edges; return the words they complete."""
        t_ns, levels = edges.t_ns, edges.levels
        parts: list[SpiWords] = []
        at = 0
        if len(t_ns) and (edges.begins or not self._is_begun):
            if 8 * levels.itemsize <= max(self.lines.every):
                raise ValueError(f"line {max(self.lines.every)} of {8 * levels.itemsize} lines")
            parts.append(self._end())
            self._begin(int(t_ns[0]), int(levels[0]))
            at = 1
        for first in range(at, len(t_ns), _BLOCK):
            part = slice(first, first + _BLOCK)
            parts.append(self._take(self._clock.read(t_ns[part], levels[part])))
        self._until_ns = edges.until_ns
        return concatenated(parts)

    def finish(self) -> SpiWords:
        """Return what was left; feed nothing after this."""
        return self._end()

    def unfinished(self) -> SpiWords:
        """What `finish` would return now; nothing is changed."""
        return copy.deepcopy(self).finish()

    def _begin(self, t_ns: int, level: int) -> None:
        self._is_begun = True
        self._edge_ns = t_ns
        self._clock.begin(level)
        self._off_ns = [None] * len(self._devices)
        if not self.lines.selects:
            self._devices[0].begin(t_ns, selected=True)
        for select, device in zip(self.lines.selects, self._devices, strict=False):
            device.begin(t_ns, selected=(level >> select.line & 1) == select.active_high)

    def _end(self) -> SpiWords:
        """What the end of an observed stretch leaves."""
        parts = [device.end(self._until_ns) for device in self._devices]
        return by_end(concatenated([*parts, self._strayed()]))

    def _take(self, block: Clocked) -> SpiWords:
        if not self.lines.selects:
            return self._devices[0].take(block.bits, self._between_pauses(block))
        rows = [rows_with(block.changed, select.line) for select in self.lines.selects]
        selected = _selected(block, rows, [device.is_open for device in self._devices])
        bits = block.bits
        if selected.most > 1:
            c = bits
            bits = Bits(c.t_ns, c.lead_ns, c.mosi, c.miso, selected.at_bits() > 1)
        parts = [self._strays(block.bits, selected)]
        for k, device in enumerate(self._devices):
            spans = self._spans(k, rows[k], block, was_open=device.is_open)
            if len(spans.first):
                parts.append(device.take(bits, spans))
        return by_end(concatenated(parts))

    def _spans(self, k: int, rows: Rows, block: Clocked, *, was_open: bool) -> Spans:
        """The spans in which a device was selected."""
        at_ns = block.t_ns.take(rows)
        # A bit sampled at the very row of a select's edge is one of those before it.
        bounds = block.bit_row.searchsorted(rows, "right")
        m = len(block.bits)
        first_edge = int(was_open)  # the first edge in the block that selects
        begins, ends = rows[first_edge::2], at_ns[1 - first_edge :: 2]
        first = np.concatenate([np.zeros(int(was_open), np.intp), bounds[first_edge::2]])
        lasts = len(first) > len(ends)
        end = np.append(bounds[1 - first_edge :: 2], np.full(int(lasts), m))
        begin_ns = at_ns[first_edge::2]
        problems = self._at_idle(block, begins)
        problems |= self._after_glitch(k, begin_ns, ends, was_open=was_open)
        if len(ends):
            self._off_ns[k] = int(ends[-1])
        if was_open:  # what belongs to it is known from before
            begin_ns, problems = np.append(0, begin_ns), np.append(np.uint16(0), problems)
        over_ns = np.append(ends, np.zeros(int(lasts), np.int64))
        return Spans(first, end, begin_ns, over_ns, problems, continues=was_open, lasts=lasts)

    def _between_pauses(self, block: Clocked) -> Spans:
        """The spans between pauses of the clock."""
        since_ns = np.diff(block.edge_ns, prepend=self._edge_ns)
        after = (since_ns > self._pause_ns).nonzero()[0]
        bounds = block.bit_row.searchsorted(block.edge_row.take(after), "left")
        begin_ns = block.edge_ns.take(after)
        problems = self._at_idle(block, block.edge_row.take(after))
        spans = Spans(
            first=np.append(0, bounds),
            end=np.append(bounds, len(block.bits)),
            begin_ns=np.append(0, begin_ns),
            over_ns=np.append(begin_ns - since_ns.take(after), 0),
            problems=np.append(np.uint16(0), problems),
            continues=True,
            lasts=True,
        )
        if len(block.edge_ns):
            self._edge_ns = int(block.edge_ns[-1])
        return spans

    def _at_idle(self, block: Clocked, rows: Rows) -> npt.NDArray[np.uint16]:
        """The problem of spans that begin at some rows with the clock at the wrong level."""
        clock_high = block.before.take(rows) >> block.before.dtype.type(self.lines.sck) & 1
        wrong = clock_high != self.form.idles_high
        return np.where(wrong, np.uint16(_IDLE_LEVEL), np.uint16(0))

    def _after_glitch(
        self, k: int, begin_ns: Times, ends: Times, *, was_open: bool
    ) -> npt.NDArray[np.uint16]:
        """The problem of selects that follow a deselect that was too short to be meant."""
        if not was_open:
            last = self._off_ns[k]
            ends = np.append(_NEVER if last is None else last, ends)
        short = begin_ns < ends[: len(begin_ns)] + self._glitch_ns
        return np.where(short, np.uint16(_GLITCH), np.uint16(0))

    def _strays(self, bits: Bits, selected: _Selected) -> SpiWords:
        """Clocks while nothing was selected; a stretch of them is told when it is over."""
        first, end, count = selected.first, selected.end, selected.count
        at = ((count == 0) & (end > first)).nonzero()[0]
        start, over = bits.t_ns.take(first.take(at)), bits.t_ns.take(end.take(at) - 1)
        number = (end - first).take(at)
        if self._stray is not None:  # then nothing is selected at first
            begin, last, before = self._stray
            if len(at) and at[0] == 0:
                start[0], number[0] = begin, number[0] + before
            else:
                start, over = np.append(begin, start), np.append(last, over)
                at, number = np.append(0, at), np.append(before, number)
        self._stray = None
        if len(at) and at[-1] == len(count) - 1:  # it may go on
            self._stray = int(start[-1]), int(over[-1]), int(number[-1])
            start, over, number = start[:-1], over[:-1], number[:-1]
        return spi_words(start, over, NOBODY, (0, 0), number, _UNSELECTED)

    def _strayed(self) -> SpiWords:
        """The stretch of clocks that is over."""
        if self._stray is None:
            return no_words()
        (start, end, number), self._stray = self._stray, None
        return spi_words([start], [end], NOBODY, (0, 0), number, _UNSELECTED)


@dataclass(frozen=True, slots=True, eq=False)
class _Selected:
    """Stretches of bits between which selects change: q of them, each may be without bits."""

    first: Rows  # [q] the first bit of each
    end: Rows  # [q]
    count: npt.NDArray[np.int64]  # [q] how many devices are selected

    @property
    def most(self) -> int:
        """The most devices that are selected at once."""
        return int(self.count.max())

    def at_bits(self) -> npt.NDArray[np.int64]:
        """How many devices are selected for each bit of the block."""
        return np.repeat(self.count, self.end - self.first)


def _selected(block: Clocked, rows: Sequence[Rows], was_open: Sequence[bool]) -> _Selected:
    """Where in a block how many devices are selected.

    Args:
        block: the block.
        rows: of each select the rows at which it changes.
        was_open: whether it was active before.
    """
    signs = [
        np.where(np.arange(len(at)) % 2 == is_on, 1, -1)
        for at, is_on in zip(rows, was_open, strict=True)
    ]
    every = np.concatenate(rows)
    order = np.argsort(every, kind="stable")
    bounds = block.bit_row.searchsorted(every.take(order), "right")
    count = sum(was_open) + np.append(0, np.concatenate(signs).take(order).cumsum())
    return _Selected(np.append(0, bounds), np.append(bounds, len(block.bits)), count)
