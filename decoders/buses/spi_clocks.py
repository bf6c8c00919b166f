"""The sampled bits of a serial peripheral bus, and the spans in which a device takes them.

Rows of the capture become edges of the clock, those become sampled bits; the levels of a select are
turned into boundaries between bits. A bit is taken with the levels before its sampling edge: what
changes together with that edge comes too late for any device, and a select that ends with it was
there in time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.spi_format import SpiFormat, SpiLines

Times = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.intp]
Levels = npt.NDArray[np.unsignedinteger]


@dataclass(frozen=True, slots=True, eq=False)
class Bits:
    """m sampled bits in time order."""

    t_ns: Times  # [m] the sampling edge
    lead_ns: Times  # [m] the leading edge of its clock cycle
    mosi: Bools  # [m] False where the line is not observed
    miso: Bools  # [m]
    crowded: Bools | None = None  # [m] more than one device was selected; None: nowhere

    def __len__(self) -> int:
        return len(self.t_ns)

    def part(self, first: int, end: int) -> Bits:
        """A view of some of them."""
        at = slice(first, end)
        crowded = None if self.crowded is None else self.crowded[at]
        return Bits(self.t_ns[at], self.lead_ns[at], self.mosi[at], self.miso[at], crowded)

    def kept(self) -> Bits:
        """A copy, so that what it is a view of may go."""
        crowded = None if self.crowded is None else self.crowded.copy()
        t_ns, lead_ns = self.t_ns.copy(), self.lead_ns.copy()
        return Bits(t_ns, lead_ns, self.mosi.copy(), self.miso.copy(), crowded)

    def before(self, later: Bits) -> Bits:
        """These and later ones as one."""
        if not len(self):
            return later
        crowded = None
        if self.crowded is not None or later.crowded is not None:
            crowded = np.concatenate([self._crowded(), later._crowded()])
        return Bits(
            np.concatenate([self.t_ns, later.t_ns]),
            np.concatenate([self.lead_ns, later.lead_ns]),
            np.concatenate([self.mosi, later.mosi]),
            np.concatenate([self.miso, later.miso]),
            crowded,
        )

    def _crowded(self) -> Bools:
        return np.zeros(len(self), np.bool_) if self.crowded is None else self.crowded


def no_bits() -> Bits:
    """No bits."""
    none, nothing = np.empty(0, np.int64), np.empty(0, np.bool_)
    return Bits(none, none, nothing, nothing)


@dataclass(frozen=True, slots=True, eq=False)
class Clocked:
    """One block of rows: its clock edges and sampled bits, and where its selects changed."""

    edge_row: Rows  # [e] every clock edge
    edge_ns: Times  # [e]
    bit_row: Rows  # [m] the sampling edge of each bit
    bits: Bits  # [m]
    t_ns: Times  # [n] of all rows
    levels: Levels  # [n]
    before: Levels  # [n] the levels before each row
    changed: Levels  # [n]


class ClockReader:
    """Turns rows into sampled bits; a fold.

    Args:
        lines: the lines.
        form: the mode.
    """

    def __init__(self, lines: SpiLines, form: SpiFormat) -> None:
        self._lines, self._form = lines, form
        self.level = 0  # of the last row
        self.edge_ns: int | None = None  # the last clock edge of the stretch

    def begin(self, level: int) -> None:
        """Begin an observed stretch with these levels."""
        self.level, self.edge_ns = level, None

    def read(self, t_ns: Times, levels: Levels) -> Clocked:
        """The bits of some rows, n >= 1, that follow those read before."""
        before = np.empty_like(levels)
        before[0], before[1:] = self.level, levels[:-1]
        changed = levels ^ before
        edge_row = rows_with(changed, self._lines.sck)
        edge_ns = t_ns.take(edge_row)
        first = 0
        if len(edge_row):
            rises = level_of(levels, int(edge_row[0]), self._lines.sck)
            first = int(rises != self._form.samples_rising)  # edges of a line take turns
        bit_row, bit_ns = edge_row[first::2], edge_ns[first::2]
        lead_ns = self._leads(edge_ns, first, bit_ns) if self._form.samples_trailing else bit_ns
        data = before.take(bit_row)
        bits = Bits(bit_ns, lead_ns, _bits(data, self._lines.mosi), _bits(data, self._lines.miso))
        if len(edge_ns):
            self.edge_ns = int(edge_ns[-1])
        self.level = int(levels[-1])
        return Clocked(edge_row, edge_ns, bit_row, bits, t_ns, levels, before, changed)

    def _leads(self, edge_ns: Times, first: int, bit_ns: Times) -> Times:
        """The edge before each sampling edge; the sampling edge itself where none was seen."""
        leads = bit_ns.copy()
        if first:
            leads[:] = edge_ns[: 2 * len(bit_ns) : 2]
        elif len(leads):
            leads[1:] = edge_ns[1 : 2 * len(bit_ns) - 1 : 2]
            leads[0] = leads[0] if self.edge_ns is None else self.edge_ns
        return leads


def rows_with(changed: Levels, line: int) -> Rows:
    """The rows at which a line changes."""
    mask = changed.dtype.type(1 << line)
    # nonzero of bools is three times as fast as of integers
    return (changed & mask).astype(np.bool_).nonzero()[0]


def level_of(levels: Levels, row: int, line: int) -> bool:
    """The level of a line in one row."""
    return bool(int(levels[row]) >> line & 1)


def _bits(data: Levels, line: int | None) -> Bools:
    if line is None:
        return np.zeros(len(data), np.bool_)
    return (data & data.dtype.type(1 << line)).astype(np.bool_)
