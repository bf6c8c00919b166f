"""How a serial peripheral bus is to be read, as far as the data can tell.

The clock's level while it stands still is CPOL. Data change after one kind of clock edge and are
sampled at the other: between two neighbouring edges of the clock they move hardly ever but in the
half that follows the shifting edge. Clocks to a select tell the word length, when they are no
multiple of eight. Which bit comes first, nothing on the wire can tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.spi_format import LEAST_BITS, MOST_BITS, Select, SpiFormat, SpiLines
from decoders.captures.edges import Edges

Bools = npt.NDArray[np.bool_]
Times = npt.NDArray[np.int64]
Rows = npt.NDArray[np.intp]

_PAUSE_EDGES = 8  # times the usual time between two edges: the clock stands still
_NEIGHBOURS = 1.5  # times that: two edges of one burst
_FEWEST_CHANGES = 8  # of data between neighbouring edges
_REST = 2.5  # times that: rests between words
_SURE = 0.9  # share of changes in one half, or of idle time at one level
_USUAL_BITS = 8
_MODES = {(True, False): 0, (False, False): 1, (False, True): 2, (True, True): 3}


@dataclass(frozen=True, slots=True)
class Asked:
    """What is known of a bus before the data are looked at; None: not known."""

    sck: int
    mosi: int | None
    miso: int | None
    selects: tuple[tuple[int, bool | None], ...] = ()  # bit number, whether it is active high
    mode: int | None = None
    word_bits: int | None = None
    lsb_first: bool | None = None


@dataclass(frozen=True, slots=True)
class SpiGuess:
    """How to read a bus, and on what that rests."""

    lines: SpiLines
    form: SpiFormat
    pause_ns: int  # longer ones end a word where there is no select
    told: tuple[str, ...]  # what the data show
    assumed: tuple[str, ...]  # what they cannot tell, and what was taken


@dataclass(frozen=True, slots=True, eq=False)
class Clocking:
    """The edges of a clock and its pauses in a stretch of levels."""

    row: Rows  # [e] every edge
    t_ns: Times  # [e]
    usual_ns: float  # between two edges; 0 when there are not two

    @property
    def pause_ns(self) -> int:
        """From here on the clock stands still."""
        return max(1, round(_PAUSE_EDGES * self.usual_ns))


def clocking_of(edges: Edges, line: int) -> Clocking:
    """The edges of a line that may be a clock."""
    level = level_at(edges, line)
    row = np.flatnonzero(level[1:] != level[:-1]) + 1
    t_ns = edges.t_ns.take(row)
    return Clocking(row, t_ns, float(np.median(np.diff(t_ns))) if len(row) > 1 else 0.0)


def guessed_format(edges: Edges, asked: Asked) -> SpiGuess:
    """How a bus is to be read.

    Args:
        edges: the beginning of a capture, without gaps.
        asked: what is known.
    """
    clock = clocking_of(edges, asked.sck)
    told: list[str] = []
    assumed: list[str] = []
    still = _Still.of(edges, clock)
    selects = []
    for line, active_high in asked.selects:
        if active_high is None:
            share = still.share_high(level_at(edges, line))
            active_high = share is not None and share < 0.5
            if share is None:
                assumed.append("selects are active low: the clock never pauses to tell")
        selects.append(Select(line, active_high))
    lines = SpiLines(asked.sck, asked.mosi, asked.miso, tuple(selects))
    mode = asked.mode
    if mode is None:
        mode = _mode(edges, clock, still, lines, told, assumed)
    word_bits = asked.word_bits
    if word_bits is None:
        word_bits = _word_bits(edges, clock, lines, mode, told, assumed)
    if asked.lsb_first is None:
        assumed.append("the most significant bit comes first")
    form = SpiFormat(mode, word_bits, bool(asked.lsb_first))
    return SpiGuess(lines, form, clock.pause_ns, tuple(told), tuple(assumed))


def level_at(edges: Edges, line: int) -> Bools:
    """bool[n] the level of a line in each row."""
    if line >= 8 * edges.levels.itemsize:
        return np.zeros(len(edges.levels), np.bool_)
    return (edges.levels & edges.levels.dtype.type(1 << line)).astype(np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class _Still:
    """The rows of a stretch that lie in pauses of the clock, by how long they last."""

    lasts_ns: Times  # [n] 0 for rows outside pauses

    @classmethod
    def of(cls, edges: Edges, clock: Clocking) -> _Still:
        lasts = np.diff(edges.t_ns, append=max(edges.until_ns, int(edges.t_ns[-1])))
        bounds = np.concatenate([edges.t_ns[:1], clock.t_ns, [edges.until_ns]])
        is_pause = np.diff(bounds) > clock.pause_ns
        after = clock.row.searchsorted(np.arange(len(edges.t_ns)), "right")
        return cls(np.where(is_pause.take(after), lasts, 0))

    def share_high(self, level: Bools) -> float | None:
        """Share of the time in pauses in which a line is high; None without pauses."""
        total = int(self.lasts_ns.sum())
        return int(self.lasts_ns[level].sum()) / total if total else None


def _mode(
    edges: Edges,
    clock: Clocking,
    still: _Still,
    lines: SpiLines,
    told: list[str],
    assumed: list[str],
) -> int:
    share = still.share_high(level_at(edges, lines.sck))
    idles_high = None if share is None or 1 - _SURE < share < _SURE else share > 0.5
    rising = None
    for line in (lines.mosi, lines.miso):  # a device may answer later than half a clock
        if rising is None and line is not None:
            rising = _samples_rising(edges, clock, line, lines.sck)
    if idles_high is not None:
        told.append(f"its clock idles {'high' if idles_high else 'low'}")
    else:
        assumed.append("its clock idles low: it never rests at one level to tell")
    if rising is not None:
        told.append(f"data change after {'falling' if rising else 'rising'} edges")
    else:
        assumed.append("data are sampled at the leading edge: they change too little to tell")
    high = bool(idles_high)
    return _MODES[not high if rising is None else rising, high]


def _samples_rising(edges: Edges, clock: Clocking, line: int, sck: int) -> bool | None:
    """Whether data that are shifted after falling edges; None when they do not tell."""
    level = level_at(edges, line)
    change = np.flatnonzero(level[1:] != level[:-1]) + 1
    after = clock.row.searchsorted(change, "right")  # the edge that follows; same row: before
    inside = (after > 0) & (after < len(clock.row))
    after = after[inside]
    near = clock.t_ns.take(after) - clock.t_ns.take(after - 1) <= _NEIGHBOURS * clock.usual_ns
    before = clock.row.take(after[near] - 1)
    if len(before) < _FEWEST_CHANGES:
        return None
    share = float(level_at(edges, sck).take(before).mean())  # after a rise the clock is high
    return None if 1 - _SURE < share < _SURE else share < 0.5


def _word_bits(
    edges: Edges,
    clock: Clocking,
    lines: SpiLines,
    mode: int,
    told: list[str],
    assumed: list[str],
) -> int:
    rises = mode in (0, 3)
    counts = clocks_of_spans(edges, clock, lines, rises=rises)
    if len(counts) > 2 and (counts % _USUAL_BITS).any():
        # A controller often rests between words; a rest inside one leaves no common divisor.
        between_rests = _clocks_between(edges, clock, lines.sck, _REST * clock.usual_ns, rises)
        for some in (between_rests, counts):
            shared = int(np.gcd.reduce(some))
            if LEAST_BITS <= shared <= MOST_BITS:
                told.append(f"{shared} bits a word: clocks come in multiples of that")
                return shared
    assumed.append(f"{_USUAL_BITS} bits a word")
    return _USUAL_BITS


def clocks_of_spans(
    edges: Edges, clock: Clocking, lines: SpiLines, *, rises: bool
) -> npt.NDArray[np.int64]:
    """How many clocks each whole span has in which a device is selected; without selects, each
    stretch between pauses. Spans without any are left out.

    Args:
        edges: the stretch.
        clock: its clock.
        lines: with their selects.
        rises: whether rising edges are counted.
    """
    counted = clock.row[level_at(edges, lines.sck).take(clock.row) == rises]
    spans: list[npt.NDArray[np.int64]] = []
    for select in lines.selects:
        active = level_at(edges, select.line) == select.active_high
        change = np.flatnonzero(active[1:] != active[:-1]) + 1
        change = change[int(len(change) > 0 and bool(active[0])) :]  # a whole one begins here
        bounds = counted.searchsorted(change[: len(change) // 2 * 2], "right")
        spans.append(bounds[1::2] - bounds[::2])
    if not lines.selects:
        spans.append(_clocks_between(edges, clock, lines.sck, clock.pause_ns, rises))
    counts = np.concatenate(spans).astype(np.int64)
    return counts[counts > 0]


def _clocks_between(
    edges: Edges, clock: Clocking, sck: int, rest_ns: float, rises: bool
) -> npt.NDArray[np.int64]:
    """How many clocks come between neighbouring rests that are longer than a time."""
    counted = clock.row[level_at(edges, sck).take(clock.row) == rises]
    after = np.flatnonzero(np.diff(clock.t_ns) > rest_ns) + 1
    bounds: npt.NDArray[np.int64] = counted.searchsorted(clock.row.take(after), "left")
    return np.diff(bounds)
