"""The fold from filtered rows to transactions and line states.

Conditions (START, STOP) cut the rows into segments. A segment begun by a START is a transaction,
one begun by a STOP lies between transactions, and the one before the first condition of an observed
stretch is unseen: a transaction whose beginning was not seen, so its bits have no byte borders.

All closed segments of a block are read at once. Of the segment that is open only its bits, its
longest SCL low and its problems are carried to the next block. A transaction that grows longer than
`MAX_BYTES` is split into rows, so what is carried is bounded.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from decoders.buses.between import (
    BOTH_HELD,
    BUSY,
    IDLE,
    SCL_HELD,
    SDA_HELD,
    Between,
    StateRow,
    state_row,
)
from decoders.buses.held_lines import NO_SLOT, UNKNOWN, Header, slot_and_turn
from decoders.buses.i2c_bytes import (
    BY_CUT,
    BY_RESTART,
    BY_START,
    CUT,
    NO_STOP,
    RESTART,
    START,
    STOP,
    STUCK,
    VOID,
    ByteReader,
    Spans,
)
from decoders.buses.i2c_conditions import WireEvents, wire_events
from decoders.buses.transactions import LineStates, Transactions, line_states, problem_bit

MAX_BYTES = 1 << 16  # bytes on the wire in one row of transactions; more than a block can hold

_UNSEEN, _OPEN, _OUTSIDE = range(3)  # kinds of segment
_BEGINS_CUT = problem_bit("begins-cut")
_ENDS_CUT = problem_bit("ends-cut")
_SDA_HELD = problem_bit("sda-held")
_SCL_HELD = problem_bit("scl-held")
_SPIKE = problem_bit("spike")
_SPLIT = problem_bit("split")
_Scalar = TypeVar("_Scalar", bound=np.generic)
_NO_BITS = np.empty(0, np.uint8)


@dataclass(slots=True)
class _Segment:
    """What is known of the segment that is open."""

    kind: int
    start_ns: int
    started_by: int
    bits: list[npt.NDArray[np.uint8]] = field(default_factory=list)  # of _OPEN only
    rises: int = 0
    scl_low_max_ns: int = 0
    problems: int = 0
    header: Header | None = None

    def all_bits(self) -> npt.NDArray[np.uint8]:
        if len(self.bits) > 1:
            self.bits = [np.concatenate(self.bits)]
        return self.bits[0] if self.bits else _NO_BITS


@dataclass(slots=True, eq=False)
class _Block:
    """Rows with their events and the segments these make; c conditions make c + 1 segments."""

    t_ns: npt.NDArray[np.int64]  # [n]
    scl: npt.NDArray[np.uint8]  # [n + 1] row 0 the state before
    sda: npt.NDArray[np.uint8]  # [n + 1]
    gap_ns: npt.NDArray[np.int64]  # [n] since the row before
    events: WireEvents
    quiet: npt.NDArray[np.intp]  # rows with a gap of the hold limit or more before them
    first_rise: npt.NDArray[np.intp]  # [c + 1] of each segment
    rises: npt.NDArray[np.intp]  # [c + 1] in each segment
    scl_low_max_ns: npt.NDArray[np.int64]  # [c + 1]
    problems: npt.NDArray[np.uint32]  # [c + 1]


class SegmentFold:
    """One observed stretch: rows in, transactions and line states out."""

    def __init__(self, begin_ns: int, scl: int, sda: int, held_ns: int) -> None:
        self.last_ns = begin_ns  # of the last row
        self._begin_ns = begin_ns
        self._scl, self._sda = scl, sda  # levels after the last row
        self._held_ns = held_ns
        self._fall_ns = begin_ns  # when the SCL low that lasts began, or was first seen
        self._sda_rose_in_low = bool(sda)  # SDA was high at some time of that low
        self._reader = ByteReader()
        self._segment = _Segment(_UNSEEN, begin_ns, BY_CUT, problems=_BEGINS_CUT)
        self._any_row = False
        self._tables: list[Transactions] = []
        self._states: list[StateRow] = []
        self._idle: list[tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]] = []
        self._between = Between(begin_ns, self._states)

    def feed(
        self,
        t_ns: npt.NDArray[np.int64],
        scl: npt.NDArray[np.uint8],
        sda: npt.NDArray[np.uint8],
        gap_ns: npt.NDArray[np.int64],
        spike_ns: npt.NDArray[np.int64],
    ) -> None:
        """Take the next rows.

        Args:
            t_ns: int64[n].
            scl: uint8[n + 1] levels 0 or 1, row 0 the state before; each row changes a line.
            sda: uint8[n + 1] likewise.
            gap_ns: int64[n] time since the row before.
            spike_ns: int64[s] starts of the spikes taken out since the call before.
        """
        if not len(t_ns):
            self._segment.problems |= _SPIKE if len(spike_ns) else 0
            return
        if not self._any_row:
            self._first_row(bool(scl[1]), int(gap_ns[0]))
        events = wire_events(t_ns, scl, sda, self._fall_ns)
        full = self._split_row(events, scl)
        if full is None:
            self._block(self._segmented(t_ns, scl, sda, gap_ns, events, spike_ns))
            return
        split_ns = int(t_ns[full])
        n = full + 1
        early, late = spike_ns[spike_ns < split_ns], spike_ns[spike_ns >= split_ns]
        events = wire_events(t_ns[:n], scl[: n + 1], sda[: n + 1], self._fall_ns)
        self._block(
            self._segmented(t_ns[:n], scl[: n + 1], sda[: n + 1], gap_ns[:n], events, early)
        )
        self._split(split_ns)
        self.feed(t_ns[n:], scl[n:], sda[n:], gap_ns[n:], late)

    def take(self) -> tuple[list[Transactions], LineStates]:
        """The rows completed since the last call; the states in no order."""
        tables, states, idle = self._tables, line_states(self._states), self._idle
        self._tables, self._idle = [], []
        self._states.clear()
        if idle:
            start = np.concatenate([states.start_ns, *(pair[0] for pair in idle)])
            states = LineStates(
                start_ns=start,
                end_ns=np.concatenate([states.end_ns, *(pair[1] for pair in idle)]),
                state=_extended(states.state, IDLE, len(start)),
                bit_slot=_extended(states.bit_slot, NO_SLOT, len(start)),
                turn=_extended(states.turn, UNKNOWN, len(start)),
            )
        return tables, states

    def finish(self, until_ns: int) -> None:
        """Close what is open; the last levels are known to hold up to `until_ns`."""
        segment = self._segment
        quiet_ns, both_high = until_ns - self.last_ns, bool(self._scl and self._sda)
        low_ns = 0 if self._scl else until_ns - self._fall_ns
        scl_held = not self._scl and low_ns >= self._held_ns
        is_quiet = quiet_ns >= self._held_ns
        sda_held = bool(self._scl) and not self._sda and is_quiet
        if scl_held:
            state = SCL_HELD if self._sda_rose_in_low else BOTH_HELD
            self._held(self._fall_ns, until_ns, state, segment.rises)
        if sda_held:
            self._held(self.last_ns, until_ns, SDA_HELD, max(segment.rises - 1, 0))
        if segment.kind == _OUTSIDE:
            self._between.end(self.last_ns, until_ns, both_high, scl_held or sda_held)
            return
        if segment.kind == _UNSEEN and not self._any_row:
            if both_high or not (scl_held or sda_held):
                self._states.append(state_row(self.last_ns, until_ns, IDLE if both_high else BUSY))
            return
        if both_high and is_quiet:
            self._states.append(state_row(self.last_ns, until_ns, BUSY))
        segment.scl_low_max_ns = max(segment.scl_low_max_ns, low_ns)
        segment.problems |= (
            NO_STOP | _ENDS_CUT | (_SCL_HELD if scl_held else 0) | (_SDA_HELD if sda_held else 0)
        )
        self._close_open(
            self.last_ns if is_quiet else until_ns, STUCK if scl_held or sda_held else CUT
        )

    def _first_row(self, scl_after: bool, gap_ns: int) -> None:
        """Both lines high for the limit, or until a START, are an idle bus and no cut one."""
        self._any_row = True
        if self._scl and self._sda and (scl_after or gap_ns >= self._held_ns):
            self._segment = _Segment(_OUTSIDE, self._begin_ns, BY_CUT)

    def _split_row(self, events: WireEvents, scl: npt.NDArray[np.uint8]) -> int | None:
        """The row that completes the last byte the open transaction may have; None if none does."""
        segment = self._segment
        last = 9 * MAX_BYTES - segment.rises - 1  # rise of its ninth clock, in this block
        if segment.kind != _OPEN or len(events.rises) <= last:
            return None
        if len(events.conditions) and events.rises_before[0] <= last:
            return None
        row = int(events.rises[last]) + 1 if last >= 0 else 0
        # It is complete when SCL falls next; a condition there makes it no clock.
        return row if row + 1 < len(scl) and not scl[row + 1] else None

    def _segmented(
        self,
        t_ns: npt.NDArray[np.int64],
        scl: npt.NDArray[np.uint8],
        sda: npt.NDArray[np.uint8],
        gap_ns: npt.NDArray[np.int64],
        events: WireEvents,
        spike_ns: npt.NDArray[np.int64],
    ) -> _Block:
        first_rise = np.concatenate([[0], events.rises_before])
        rises = np.diff(first_rise, append=len(events.rises))
        low_max = np.zeros(len(rises), np.int64)
        some = rises > 0
        if len(events.rises):
            low_ns = events.rise_ns - events.fall_ns[:-1]
            low_max[some] = np.maximum.reduceat(low_ns, first_rise[some])
        problems = np.zeros(len(rises), np.uint32)
        problems[low_max >= self._held_ns] = _SCL_HELD
        if len(spike_ns):
            condition_ns = t_ns.take(events.conditions)
            problems[condition_ns.searchsorted(spike_ns, "right")] |= np.uint32(_SPIKE)
        quiet = np.flatnonzero(gap_ns >= self._held_ns)
        return _Block(t_ns, scl, sda, gap_ns, events, quiet, first_rise, rises, low_max, problems)

    def _block(self, block: _Block) -> None:
        kinds = np.where(block.events.is_start, _OPEN, _OUTSIDE)
        kinds = np.concatenate([[self._segment.kind], kinds])
        self._find_holds(block, kinds)
        self._find_outside(block, kinds)
        self._carry_into(block)
        if len(block.events.conditions):
            self._close(block, kinds)
        self._after(block)

    def _carry_into(self, block: _Block) -> None:
        """Let the open segment take its part of the block, and the block what it had before."""
        segment = self._segment
        rises = int(block.rises[0])
        if segment.kind == _OPEN and rises:
            segment.bits.append(block.events.values[:rises].copy())
        segment.rises += rises
        segment.scl_low_max_ns = max(segment.scl_low_max_ns, int(block.scl_low_max_ns[0]))
        segment.problems |= int(block.problems[0])

    def _close(self, block: _Block, kinds: npt.NDArray[np.int64]) -> None:
        """Make rows of the closed transactions, and open the segment after the last condition."""
        segment, events = self._segment, block.events
        bits, shift = events.values, 0
        if segment.kind == _OPEN:
            # The carried bits stand before those of the block, in place of what is theirs of it.
            shift = segment.rises - int(block.rises[0])
            if shift:
                bits = np.concatenate([segment.all_bits()[:shift], bits])
        condition_ns = block.t_ns.take(events.conditions)
        before_ns = np.where(
            events.conditions > 0, block.t_ns.take(events.conditions - 1, mode="clip"), self.last_ns
        )
        clocks = np.maximum(block.rises - 1, 0)
        clocks[0] = max(segment.rises - 1, 0) if segment.kind == _OPEN else 0
        ended_by = np.where(events.is_start, RESTART, STOP).astype(np.uint8)
        after_quiet = events.is_start & (condition_ns - before_ns >= self._held_ns)
        ended_by[after_quiet | (events.is_start & (clocks[:-1] % 9 > 0))] = START
        started_by = np.full(len(kinds), BY_START, np.uint8)
        started_by[1:][(ended_by == RESTART) & (kinds[:-1] != _OUTSIDE)] = BY_RESTART
        started_by[0] = segment.started_by
        begins = block.first_rise + shift
        begins[0] = 0
        low_max, problems = block.scl_low_max_ns, block.problems
        low_max[0], problems[0] = segment.scl_low_max_ns, segment.problems
        start_ns = np.concatenate([[segment.start_ns], condition_ns])
        end_ns = np.where(after_quiet, before_ns, condition_ns)
        void = (clocks[:-1] == 0) & (ended_by != START) & (started_by[:-1] != BY_CUT)
        problems[:-1][void] |= np.uint32(VOID)
        chosen = np.flatnonzero(kinds[:-1] != _OUTSIDE)
        if len(chosen):
            spans = Spans(
                start_ns=start_ns[chosen],
                end_ns=end_ns[chosen],
                begins=begins[chosen],
                clocks=clocks[chosen],
                started_by=started_by[chosen],
                ended_by=ended_by[chosen],
                scl_low_max_ns=low_max[chosen],
                problems=problems[chosen],
            )
            header = segment.header if chosen[0] == 0 else None
            self._tables.append(self._reader.rows(spans, bits, header))
        last = int(kinds[-1])
        self._segment = _Segment(
            last,
            int(start_ns[-1]),
            int(started_by[-1]),
            [events.values[int(block.first_rise[-1]) :].copy()] if last == _OPEN else [],
            int(block.rises[-1]),
            int(low_max[-1]),
            int(problems[-1]),
        )

    def _after(self, block: _Block) -> None:
        """Carry what the next block needs to know of the last row."""
        was_high = bool(self._scl)
        self._scl, self._sda = int(block.scl[-1]), int(block.sda[-1])
        self.last_ns = int(block.t_ns[-1])
        if self._scl:
            return
        self._fall_ns = int(block.events.fall_ns[-1])
        highs = [int(at[-1]) for at in (block.events.rises, block.events.conditions) if len(at)]
        low_from = max(highs, default=-1) + 1
        rose = bool(block.sda[low_from + 1 :].any())
        if not highs and not was_high:  # the same low as before the block
            rose = rose or self._sda_rose_in_low
        self._sda_rose_in_low = rose

    def _find_outside(self, block: _Block, kinds: npt.NDArray[np.int64]) -> None:
        """Idle spans and noise of the segments that are no transactions."""
        events = block.events
        outside = np.flatnonzero(kinds == _OUTSIDE)
        if not len(outside):
            return
        rows = np.concatenate([[-1], events.conditions, [len(block.t_ns)]])
        plain = outside[(outside > 0) & (outside < len(kinds) - 1)]
        plain = plain[(rows[plain + 1] == rows[plain] + 1) & events.is_start[plain]]
        # A STOP that follows another is an edge of the same noise.
        before = kinds[plain - 1]
        plain = plain[before != _OUTSIDE]
        start, end = block.t_ns[rows[plain]], block.t_ns[rows[plain + 1]]
        longer = end > start
        self._idle.append((start[longer], end[longer]))
        is_plain = np.zeros(len(kinds), np.bool_)
        is_plain[plain] = True
        for k in outside[~is_plain[outside]]:
            self._outside_segment(block, kinds, int(k), int(rows[k]), int(rows[k + 1]))

    def _outside_segment(
        self, block: _Block, kinds: npt.NDArray[np.int64], k: int, opened: int, closed: int
    ) -> None:
        """One segment that is not simply idle; rows `opened` and `closed` bound it."""
        events, t_ns = block.events, block.t_ns
        if k > 0 and kinds[k - 1] != _OUTSIDE:
            self._between = Between(int(t_ns[opened]), self._states)
        first = opened + 1
        is_last = k == len(kinds) - 1
        by_start = not is_last and bool(events.is_start[k])
        stop = closed if by_start or is_last else closed + 1
        at = first
        inner = block.quiet[(block.quiet >= first) & (block.quiet < stop)]
        for row in [*inner.tolist(), stop]:
            if row > at:
                self._between.edges(int(t_ns[at]), int(t_ns[row - 1]), row - at)
            if row < stop:
                last_ns = int(t_ns[row] - block.gap_ns[row])
                self._between.quiet(last_ns, bool(block.scl[row] and block.sda[row]))
            at = row
        if by_start:
            last_ns = int(t_ns[closed] - block.gap_ns[closed])
            self._between.end(last_ns, int(t_ns[closed]), True, False)

    def _find_holds(self, block: _Block, kinds: npt.NDArray[np.int64]) -> None:
        """Lines held low, and transactions left open, for the limit or longer."""
        events = block.events
        if (block.scl_low_max_ns >= self._held_ns).any():
            self._find_scl_held(block)
        if not len(block.quiet):
            return
        scl, sda = block.scl.take(block.quiet), block.sda.take(block.quiet)
        segments = events.conditions.searchsorted(block.quiet)
        is_held = (scl == 1) & (sda == 0)
        is_busy = (scl == 1) & (sda == 1) & (kinds[segments] != _OUTSIDE)
        for k in np.flatnonzero(is_held | is_busy).tolist():
            row, segment = int(block.quiet[k]), int(segments[k])
            end_ns = int(block.t_ns[row])
            start_ns = end_ns - int(block.gap_ns[row])
            if is_busy[k]:
                self._states.append(state_row(start_ns, end_ns, BUSY))
                continue
            block.problems[segment] |= np.uint32(_SDA_HELD)
            rises = int(events.rises.searchsorted(row)) - int(block.first_rise[segment])
            self._held_in(block, kinds, segment, rises, True, start_ns, end_ns, SDA_HELD)

    def _find_scl_held(self, block: _Block) -> None:
        events = block.events
        kinds = np.concatenate([[self._segment.kind], np.where(events.is_start, _OPEN, _OUTSIDE)])
        low_ns = events.rise_ns - events.fall_ns[:-1]
        fall_rows = np.concatenate([[0], events.rises + 1])
        fall_rows[events.rises_before] = events.conditions + 1
        ups = np.concatenate([[0], np.cumsum(block.sda[1:], dtype=np.int64)])
        for k in np.flatnonzero(low_ns >= self._held_ns).tolist():
            rose = bool(ups[events.rises[k]] > ups[fall_rows[k]])
            if k == 0 and not self._scl:
                rose = rose or self._sda_rose_in_low
            segment = int(events.rises_before.searchsorted(k, "right"))
            rises = k - int(block.first_rise[segment])
            self._held_in(
                block,
                kinds,
                segment,
                rises,
                False,
                int(events.fall_ns[k]),
                int(events.rise_ns[k]),
                SCL_HELD if rose else BOTH_HELD,
            )

    def _held_in(
        self,
        block: _Block,
        kinds: npt.NDArray[np.int64],
        segment: int,
        rises: int,
        scl_high: bool,
        start_ns: int,
        end_ns: int,
        state: int,
    ) -> None:
        """A hold inside one of the block's segments, `rises` clock rises after its beginning."""
        slot, turn = NO_SLOT, UNKNOWN
        if kinds[segment] == _OPEN:
            bits, header = block.events.values[int(block.first_rise[segment]) :], None
            if segment == 0:
                bits = np.concatenate([self._segment.all_bits(), bits])
                rises += self._segment.rises
                header = self._segment.header
            slot, turn = slot_and_turn(bits, max(rises - scl_high, 0), header)
        self._states.append((start_ns, end_ns, state, slot, turn))

    def _held(self, start_ns: int, end_ns: int, state: int, clocks: int) -> None:
        """A hold that lasts at the end of observation."""
        slot, turn = NO_SLOT, UNKNOWN
        if self._segment.kind == _OPEN:
            slot, turn = slot_and_turn(self._segment.all_bits(), clocks, self._segment.header)
        self._states.append((start_ns, end_ns, state, slot, turn))

    def _split(self, at_ns: int) -> None:
        """Close the row of the open transaction and go on with it in a new one."""
        self._segment.problems |= _SPLIT
        last_bit = bool(self._segment.all_bits()[-1])
        table = self._close_open(at_ns, CUT)
        self._segment = _Segment(
            _OPEN,
            at_ns,
            BY_CUT,
            problems=_SPLIT,
            header=Header(
                address=int(table.address[0]),
                address_bits=int(table.address_bits[0]),
                read=bool(table.read[0]),
                address_acked=bool(table.address_acked[0]),
                last_acked=not last_bit,
            ),
        )

    def _close_open(self, end_ns: int, ended_by: int) -> Transactions:
        segment = self._segment
        clocks = 0
        if segment.kind == _OPEN:
            clocks = segment.rises - (1 if self._scl and segment.rises else 0)
        spans = Spans(
            start_ns=np.array([segment.start_ns], np.int64),
            end_ns=np.array([end_ns], np.int64),
            begins=np.zeros(1, np.intp),
            clocks=np.array([clocks], np.intp),
            started_by=np.array([segment.started_by], np.uint8),
            ended_by=np.array([ended_by], np.uint8),
            scl_low_max_ns=np.array([segment.scl_low_max_ns], np.int64),
            problems=np.array([segment.problems], np.uint32),
        )
        table = self._reader.rows(spans, segment.all_bits(), segment.header)
        self._tables.append(table)
        return table


def _extended(column: npt.NDArray[_Scalar], value: int, n: int) -> npt.NDArray[_Scalar]:
    longer = np.full(n, value, column.dtype)
    longer[: len(column)] = column
    return longer
