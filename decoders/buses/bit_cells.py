"""One stretch of bus taken apart for drawing: every START, bit and STOP, and who had the turn.

The levels are read as `I2cDecoder` reads them: the same filter takes out spikes, the same masks
find clocks and conditions, so bits and acknowledges are those of its transactions.

A cell is a condition or one clock of SCL. A clock's cell runs from the fall of SCL before it over
its rise to its own fall, so the cells of a transaction join without a gap. STOP and repeated START
begin with the fall of SCL before them, since a target may stretch that low as any other.

How long SCL is usually low is the median of the lows within bytes. A device that needs time holds
SCL low after the acknowledge of a byte, or lengthens each low (UM10204 section 3.1.9, which sets no
limit). From two levels nobody can tell whether a target stretched a low or the controller paused.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.buses.bit_roles import ACKNOWLEDGE_SLOT, NO_ROLE, BitRoles, bit_roles
from decoders.buses.bus_rows import BusRows, bus_rows, part_of
from decoders.buses.held_lines import BOTH_HELD, CONTROLLER, SCL_HELD, SDA_HELD
from decoders.buses.i2c import I2cDecoder
from decoders.buses.i2c_conditions import WireEvents, wire_events
from decoders.buses.i2c_segments import OPEN, OUTSIDE, UNSEEN, Header
from decoders.buses.low_times import stretches_ns, usual_low_ns
from decoders.buses.transactions import LineStates, concatenated
from decoders.captures.edges import Edges

CELLS = ("START", "repeated START", "STOP", "bit", "unended")
# Unended: SCL rose and what is known ends before it fell, so this is a bit or becomes a condition.
START, RESTART, STOP, BIT, UNENDED = range(len(CELLS))
MARGIN_NS = 10_000  # edges this far to both sides let the filter judge what the borders cut
NO_TIME = -1  # in columns of lengths

Int64s = npt.NDArray[np.int64]
_NO_ROWS, _NO_TIMES = np.empty(0, np.intp), np.empty(0, np.int64)
_NO_EVENTS = WireEvents(
    rises=_NO_ROWS,
    values=np.empty(0, np.uint8),
    rise_ns=_NO_TIMES,
    fall_ns=np.zeros(1, np.int64),
    conditions=_NO_ROWS,
    is_start=np.empty(0, np.bool_),
    rises_before=_NO_ROWS,
)


@dataclass(frozen=True, slots=True, eq=False)
class BitCells:
    """What was on a bus in time order; every column has n rows, n may be 0."""

    kind: npt.NDArray[np.uint8]  # [n] index into CELLS
    # [n] counted from 0 in this stretch, -1 outside of any; a START begins the next, at the end too
    transaction: npt.NDArray[np.int32]
    begin_ns: Int64s  # [n] SCL fell before it; a first START: SDA falls
    rise_ns: Int64s  # [n] SCL rises; a first START: SDA falls
    at_ns: Int64s  # [n] bit: SCL rises; condition: SDA changes
    end_ns: Int64s  # [n] SCL falls; STOP: SDA rises; last cell: as far as it is known
    level: npt.NDArray[np.uint8]  # [n] SDA when SCL rose, or after the condition
    byte: npt.NDArray[np.int32]  # [n] byte on the wire it is in, address from 0; -1: none, not told
    slot: npt.NDArray[np.int8]  # [n] 0..8 in the byte, 8 the acknowledge; -1 likewise
    role: npt.NDArray[np.uint8]  # [n] index into bit_roles.ROLES
    turn: npt.NDArray[np.uint8]  # [n] index into TURNS: who had to drive SDA
    value: npt.NDArray[np.int16]  # [n] the whole byte it is in; -1 when cut short
    usual_low_ns: Int64s  # [n] of its transaction; 0 when too few lows tell
    stretch_ns: Int64s  # [n] by how much SCL was low for longer than usual; 0 when it was not
    setup_ns: Int64s  # [n] SDA changed so long before SCL rose; -1: it did not (tSU;DAT)
    hold_ns: Int64s  # [n] SDA changed so long after SCL fell; -1: it did not (tHD;DAT)
    holds: LineStates  # lines held low in or over the stretch, as the decoder reports them
    spikes_ns: Int64s  # [s, 2] beginnings and ends of the pulses that were taken out
    begins_cut: bool  # no START at its beginning: its bytes have no borders, if no header said
    ends_open: bool  # no STOP or repeated START ended it: cut, stuck, or left

    def __len__(self) -> int:
        return len(self.kind)

    @property
    def low_ns(self) -> Int64s:
        """int64[n]: how long SCL was low before it rose."""
        return self.rise_ns - self.begin_ns

    @property
    def acknowledged(self) -> npt.NDArray[np.bool_]:
        """bool[n]: acknowledge slots in which somebody pulled SDA low (UM10204 section 3.1.6)."""
        return self._in_acknowledge(level=0)

    @property
    def not_acknowledged(self) -> npt.NDArray[np.bool_]:
        """bool[n]: acknowledge slots in which nobody did."""
        return self._in_acknowledge(level=1)

    def _in_acknowledge(self, level: int) -> npt.NDArray[np.bool_]:
        is_acknowledge = (self.slot == ACKNOWLEDGE_SLOT) & (self.kind == BIT)
        return np.asarray(is_acknowledge & (self.level == level), np.bool_)


def bit_cells(
    edges: Edges,
    scl: int,
    sda: int,
    begin_ns: int,
    end_ns: int,
    *,
    spike_ns: int = 50,
    held_ns: int = 25_000_000,
    restarted: bool = False,
    header: Header | None = None,
) -> BitCells:
    """Take a transaction, or a few that follow each other, apart.

    Args:
        edges: at least from the last row before `begin_ns` on; better `MARGIN_NS` more on both
            sides, and `held_ns` more after one that ended stuck, to see how long it was held.
        scl: bit number of SCL in the level words.
        sda: bit number of SDA.
        begin_ns: start of the first transaction, both times as the decoder gave them.
        end_ns: end of the last.
        spike_ns: as the decoder was told.
        held_ns: as the decoder was told.
        restarted: the first transaction was started by a repeated START.
        header: the first is the later part of a split one, of which this is known. Its bytes count
            from this part's first; `holds` has no slots then.

    Raises:
        ValueError: if the lines are one, or a number is impossible, or the time ends before it
            begins.
    """
    if end_ns < begin_ns:
        raise ValueError(f"a stretch from {begin_ns} to {end_ns} ns ends before it begins")
    holds = _holds(edges, (scl, sda), (spike_ns, held_ns), (begin_ns, end_ns))
    rows = part_of(bus_rows(edges, scl, sda, spike_ns), begin_ns, end_ns)
    found = _found(rows, header)
    clocks = _clock_columns(found, header)
    conditions = _condition_columns(rows, found, held_ns, restarted)
    order = np.argsort(np.concatenate([clocks["row"], conditions["row"]]))
    columns = {name: np.concatenate([clocks[name], conditions[name]])[order] for name in clocks}
    return BitCells(
        **_with_times(columns, rows, order < len(found.clocks)),
        holds=holds,
        spikes_ns=rows.spikes_ns,
        begins_cut=bool(found.kinds[0] != OUTSIDE),
        ends_open=bool(found.kinds[-1] != OUTSIDE) and not rows.closed,
    )


def _holds(
    edges: Edges, lines: tuple[int, int], limits: tuple[int, int], span_ns: tuple[int, int]
) -> LineStates:
    """Held lines that overlap a span, told by the decoder itself."""
    decoder = I2cDecoder(*lines, spike_ns=limits[0], held_ns=limits[1], wait_ns=None)
    states = concatenated([decoder.feed(edges)[1], decoder.finish()[1]])
    held = np.isin(states.state, (SDA_HELD, SCL_HELD, BOTH_HELD))
    held &= (states.start_ns <= span_ns[1]) & (states.end_ns > span_ns[0])
    return LineStates(
        start_ns=states.start_ns[held],
        end_ns=states.end_ns[held],
        state=states.state[held],
        bit_slot=states.bit_slot[held],
        turn=states.turn[held],
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """The clocks and conditions of some rows: r clocks, c conditions that make c + 1 segments."""

    events: WireEvents
    kinds: npt.NDArray[np.int8]  # [c + 1] of segments
    number: npt.NDArray[np.int32]  # [c + 1] transaction of each segment; -1 outside
    clocks: npt.NDArray[np.intp]  # [r] which of the rises are clocks
    segment: npt.NDArray[np.intp]  # [r] the segment each clock is in
    before: npt.NDArray[np.intp]  # [c] the rise that each condition came in; -1: none
    after_ns: Int64s  # [n] time of the row after each; of the last, until when it is known
    unended: bool  # the last clock


def _found(rows: BusRows, header: Header | None) -> _Found:
    n = len(rows.t_ns)
    events = wire_events(rows.t_ns, rows.scl, rows.sda, rows.fall_ns) if n else _NO_EVENTS
    borders = np.concatenate([[0], events.rises_before, [len(events.rises)]]).astype(np.intp)
    before = np.where(borders[1:-1] > borders[:-2], borders[1:-1] - 1, -1)
    is_clock = np.ones(len(events.rises), np.bool_)
    is_clock[before[before >= 0]] = False  # the rise that a condition came in is no clock
    clocks = np.flatnonzero(is_clock)
    kinds = np.append(OPEN if header else UNSEEN, events.is_start).astype(np.int8)
    at_start = len(kinds) > 1 and events.conditions[0] == 0 and events.is_start[0]
    if header is None and (at_start or not n):
        kinds[0] = OUTSIDE
    return _Found(
        events=events,
        kinds=kinds,
        number=np.where(kinds != OUTSIDE, np.cumsum(kinds != OUTSIDE) - 1, -1).astype(np.int32),
        clocks=clocks,
        segment=events.rises_before.searchsorted(clocks, "right"),
        before=before,
        after_ns=np.append(rows.t_ns[1:], rows.until_ns),
        unended=bool(len(clocks) and events.rises[clocks[-1]] == n - 1),
    )


def _clock_columns(found: _Found, header: Header | None) -> dict[str, npt.NDArray[Any]]:
    """The columns of the clocks that the levels tell without the times around them."""
    events, clocks, segment = found.events, found.clocks, found.segment
    level = events.values.take(clocks)
    whole = len(clocks) - found.unended
    roles = bit_roles(level, segment, found.kinds == OPEN, whole=whole, header=header)
    kind = np.full(len(clocks), BIT, np.uint8)
    kind[whole:] = UNENDED
    rises = events.rises.take(clocks)
    return {
        "row": rises,
        "kind": kind,
        "transaction": found.number.take(segment),
        "clocked_by": found.number.take(segment),
        "begin_ns": events.fall_ns.take(clocks),
        "rise_ns": events.rise_ns.take(clocks),
        "at_ns": events.rise_ns.take(clocks),
        "end_ns": found.after_ns.take(rises),
        "level": level,
        **{column.name: getattr(roles, column.name) for column in fields(BitRoles)},
    }


def _condition_columns(
    rows: BusRows, found: _Found, held_ns: int, restarted: bool
) -> dict[str, npt.NDArray[Any]]:
    """The same columns of the conditions; both are the controller's (UM10204 section 3.1.4)."""
    events, before = found.events, found.before
    at, c = events.conditions, len(events.conditions)
    at_ns, has_low = rows.t_ns.take(at), before >= 0
    clocks = np.bincount(found.segment, minlength=c + 1)[:-1]
    joined = events.is_start & (found.kinds[:-1] != OUTSIDE)
    joined &= (clocks % 9 == 0) | (found.kinds[:-1] == UNSEEN)
    joined &= at_ns - np.append(rows.t_ns[:1], rows.t_ns[:-1]).take(at) < held_ns
    if restarted and c and found.kinds[0] == OUTSIDE:
        joined[0] = True
    end_ns = np.where(events.is_start & (at < len(rows.t_ns) - 1), found.after_ns.take(at), at_ns)
    return {
        "row": at,
        "kind": np.where(joined, RESTART, np.where(events.is_start, START, STOP)).astype(np.uint8),
        "transaction": np.where(events.is_start, found.number[1:], found.number[:-1]),
        "clocked_by": found.number[:-1],
        "begin_ns": np.where(has_low, events.fall_ns.take(before), at_ns),
        "rise_ns": np.where(has_low, np.append(events.rise_ns, 0).take(before), at_ns),
        "at_ns": at_ns,
        "end_ns": end_ns,
        "level": 1 - events.is_start.astype(np.uint8),
        "byte": np.full(c, -1, np.int32),
        "slot": np.full(c, -1, np.int8),
        "role": np.full(c, NO_ROLE, np.uint8),
        "turn": np.full(c, CONTROLLER, np.uint8),
        "value": np.full(c, -1, np.int16),
    }


def _with_times(
    columns: dict[str, npt.NDArray[Any]], rows: BusRows, is_clock: npt.NDArray[np.bool_]
) -> dict[str, npt.NDArray[Any]]:
    """The columns of cells in time order, with what the times around each cell tell."""
    row, by = columns.pop("row"), columns.pop("clocked_by")
    low_ns = columns["rise_ns"] - columns["begin_ns"]
    usual = usual_low_ns(low_ns[is_clock], by[is_clock], columns["slot"][is_clock])
    beside = np.where(by >= 0, np.append(usual, 0).take(by, mode="clip"), 0)
    setup_ns, hold_ns = _data_times(rows, row, is_clock)
    return columns | {
        "usual_low_ns": beside,
        "stretch_ns": stretches_ns(low_ns, beside),
        "setup_ns": setup_ns,
        "hold_ns": hold_ns,
    }


def _data_times(
    rows: BusRows, row: npt.NDArray[np.intp], is_clock: npt.NDArray[np.bool_]
) -> tuple[Int64s, Int64s]:
    """Set-up before the rise, and hold after the fall, of the clocks; NO_TIME for all else.

    SDA that changes in one row with SCL is taken to have changed while SCL was low.
    """
    t_ns, n = rows.t_ns, len(rows.t_ns)
    setup_ns, hold_ns = np.full((2, len(row)), NO_TIME, np.int64)
    data = np.flatnonzero(rows.sda[1:] != rows.sda[:-1])
    if not len(data):
        return setup_ns, hold_ns
    falls = np.flatnonzero(rows.scl[1:] < rows.scl[:-1])
    rises = np.append(np.flatnonzero(rows.scl[1:] > rows.scl[:-1]), n - 1)
    clocks = np.flatnonzero(is_clock)
    at = row[clocks]
    fell = np.append(-1, falls).take(falls.searchsorted(at))  # the row before the low, if seen
    last = np.append(-2, data).take(data.searchsorted(at, "right"))
    setup_ns[clocks] = np.where(last >= fell, t_ns[at] - t_ns.take(last, mode="clip"), NO_TIME)
    following = np.append(data, n).take(data.searchsorted(at, "right"))
    until = rises.take(rises.searchsorted(at, "right"), mode="clip")
    is_held = (following <= until) & (following > at)
    fall_ns = t_ns.take(at + 1, mode="clip")
    hold_ns[clocks] = np.where(is_held, t_ns.take(following, mode="clip") - fall_ns, NO_TIME)
    return setup_ns, hold_ns
