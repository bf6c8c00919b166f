"""The fold over one observed stretch: filtered rows in, transactions and line states out.

All closed segments of a block are read at once. Of the segment that is open only its bits, its
longest SCL low and its problems are carried to the next block. A transaction that grows longer than
`MAX_BYTES` is split into rows, so what is carried is bounded.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from decoders.buses.between import Outside
from decoders.buses.held_lines import (
    BOTH_HELD,
    BUSY,
    IDLE,
    NO_SLOT,
    SCL_HELD,
    SDA_HELD,
    SDA_HELD_PROBLEM,
    UNKNOWN,
    StateRow,
    find_holds,
    held_row,
    state_row,
)
from decoders.buses.i2c_bytes import (
    BY_CUT,
    BY_RESTART,
    BY_START,
    CUT,
    RESTART,
    START,
    STUCK,
    ByteReader,
    Spans,
)
from decoders.buses.i2c_conditions import WireEvents, wire_events
from decoders.buses.i2c_segments import (
    OPEN,
    OUTSIDE,
    SCL_HELD_PROBLEM,
    SPIKE_PROBLEM,
    UNSEEN,
    Block,
    Header,
    Segment,
    block_of,
)
from decoders.buses.transactions import LineStates, Transactions, line_states, problem_bit

MAX_BYTES = 1 << 16  # bytes on the wire in one row of transactions; more than a block can hold

_BEGINS_CUT = problem_bit("begins-cut")
_ENDS_CUT = problem_bit("ends-cut")
_SPLIT = problem_bit("split")


class SegmentFold:
    """One observed stretch, from the levels it begins with."""

    def __init__(self, begin_ns: int, scl: int, sda: int, held_ns: int) -> None:
        self.last_ns = begin_ns  # of the last row
        self._begin_ns = begin_ns
        self._scl, self._sda = scl, sda  # levels after the last row
        self._held_ns = held_ns
        self._fall_ns = begin_ns  # when the SCL low that lasts began, or was first seen
        self._sda_rose_in_low = bool(sda)  # SDA was high at some time of that low
        self._any_row = False
        self._segment = Segment(UNSEEN, begin_ns, BY_CUT, problems=_BEGINS_CUT)
        self._reader = ByteReader()
        self._outside = Outside(begin_ns)
        self._tables: list[Transactions] = []
        self._holds: list[StateRow] = []

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
            self._segment.problems |= SPIKE_PROBLEM if len(spike_ns) else 0
            return
        if not self._any_row:
            self._first_row(bool(scl[1]), int(gap_ns[0]))
        events = wire_events(t_ns, scl, sda, self._fall_ns)
        row = self._split_row(events, scl)
        if row is None:
            self._block(t_ns, scl, sda, gap_ns, events, spike_ns)
            return
        n, split_ns = row + 1, int(t_ns[row])
        self.feed(t_ns[:row], scl[:n], sda[:n], gap_ns[:row], spike_ns[spike_ns < split_ns])
        events = wire_events(t_ns[row:n], scl[row : n + 1], sda[row : n + 1], self._fall_ns)
        self._block(
            t_ns[row:n],
            scl[row : n + 1],
            sda[row : n + 1],
            gap_ns[row:n],
            events,
            spike_ns[:0],
        )
        self._split(split_ns)
        self.feed(t_ns[n:], scl[n:], sda[n:], gap_ns[n:], spike_ns[spike_ns >= split_ns])

    def take(self) -> tuple[list[Transactions], LineStates]:
        """The rows completed since the last call; the states in no order."""
        tables, outside = self._tables, self._outside
        states = line_states([*self._holds, *outside.rows])
        if outside.idle_ns:
            states = _with_idle(states, np.concatenate(outside.idle_ns, axis=1))
        self._tables, self._holds = [], []
        outside.rows.clear()
        outside.idle_ns.clear()
        return tables, states

    def finish(self, until_ns: int) -> None:
        """Close what is open; the last levels are known to hold up to `until_ns`."""
        segment, high = self._segment, bool(self._scl)
        both_high = high and bool(self._sda)
        low_ns = 0 if high else until_ns - self._fall_ns
        is_quiet = until_ns - self.last_ns >= self._held_ns
        scl_held = not high and low_ns >= self._held_ns
        sda_held = high and not self._sda and is_quiet
        if scl_held:
            state = SCL_HELD if self._sda_rose_in_low else BOTH_HELD
            self._holds.append(held_row(segment, (self._fall_ns, until_ns), state, high))
        elif sda_held:
            self._holds.append(held_row(segment, (self.last_ns, until_ns), SDA_HELD, high))
        held = scl_held or sda_held
        if segment.kind == OUTSIDE:
            self._outside.between.end(self.last_ns, until_ns, both_high, held)
        elif segment.kind == UNSEEN and not self._any_row:
            if not held:
                state = IDLE if both_high else BUSY
                self._holds.append(state_row(self.last_ns, until_ns, state))
        else:
            if both_high and is_quiet:
                self._holds.append(state_row(self.last_ns, until_ns, BUSY))
            segment.scl_low_max_ns = max(segment.scl_low_max_ns, low_ns)
            segment.problems |= _ENDS_CUT
            segment.problems |= SCL_HELD_PROBLEM if scl_held else 0
            segment.problems |= SDA_HELD_PROBLEM if sda_held else 0
            self._close_open(self.last_ns if is_quiet else until_ns, STUCK if held else CUT)

    def _first_row(self, scl_after: bool, gap_ns: int) -> None:
        """Both lines high for the limit, or until a START, are an idle bus and no cut one."""
        self._any_row = True
        if self._scl and self._sda and (scl_after or gap_ns >= self._held_ns):
            self._segment = Segment(OUTSIDE, self._begin_ns, BY_CUT)

    def _split_row(self, events: WireEvents, scl: npt.NDArray[np.uint8]) -> int | None:
        """The row that completes the last byte the open transaction may have; None if none does."""
        segment = self._segment
        last = 9 * MAX_BYTES - segment.rises - 1  # rise of its ninth clock, in this block
        if segment.kind != OPEN or len(events.rises) <= last:
            return None
        if len(events.conditions) and events.rises_before[0] <= last:
            return None
        row = int(events.rises[last]) + 1 if last >= 0 else 0
        # It is complete when SCL falls next; a condition there makes it no clock.
        return row if row + 1 < len(scl) and not scl[row + 1] else None

    def _block(
        self,
        t_ns: npt.NDArray[np.int64],
        scl: npt.NDArray[np.uint8],
        sda: npt.NDArray[np.uint8],
        gap_ns: npt.NDArray[np.int64],
        events: WireEvents,
        spike_ns: npt.NDArray[np.int64],
    ) -> None:
        block = block_of(t_ns, scl, sda, gap_ns, events, self._segment.kind, self._held_ns)
        if len(spike_ns):
            numbers = block.condition_ns.searchsorted(spike_ns, "right")
            block.problems[numbers] |= np.uint32(SPIKE_PROBLEM)
        self._holds += find_holds(block, self._segment, self._sda_rose_in_low)
        self._outside.find(block)
        self._extend(block)
        if len(events.conditions):
            self._close(block)
        self._carry(block)

    def _extend(self, block: Block) -> None:
        """Let the open segment take its part of the block."""
        segment, rises = self._segment, int(block.rises[0])
        if segment.kind == OPEN and rises:
            segment.bits.append(block.events.values[:rises].copy())
        segment.rises += rises
        segment.scl_low_max_ns = max(segment.scl_low_max_ns, int(block.scl_low_max_ns[0]))
        segment.problems |= int(block.problems[0])

    def _close(self, block: Block) -> None:
        """Make rows of the closed transactions, and open the segment after the last condition."""
        chosen = (block.kinds[:-1] != OUTSIDE).nonzero()[0]
        ended_by_restart = False
        if len(chosen):
            spans, bits = self._spans(block, chosen)
            header = self._segment.header if chosen[0] == 0 else None
            self._tables.append(self._reader.rows(spans, bits, header))
            last_closed = chosen[-1] == len(block.events.conditions) - 1
            ended_by_restart = bool(last_closed and spans.ended_by[-1] == RESTART)
        kind = int(block.kinds[-1])
        self._segment = Segment(
            kind=kind,
            start_ns=int(block.condition_ns[-1]),
            started_by=BY_RESTART if ended_by_restart else BY_START,
            bits=[block.events.values[int(block.first_rise[-1]) :].copy()] if kind == OPEN else [],
            rises=int(block.rises[-1]),
            scl_low_max_ns=int(block.scl_low_max_ns[-1]),
            problems=int(block.problems[-1]),
        )

    def _spans(
        self, block: Block, chosen: npt.NDArray[np.intp]
    ) -> tuple[Spans, npt.NDArray[np.uint8]]:
        """The closed transactions among the segments, and the bits they lie in."""
        segment, bits, shift = self._segment, block.events.values, 0
        if segment.kind == OPEN:
            # The carried bits come before those of the block; of its first, both have a copy.
            shift = segment.rises - int(block.rises[0])
            if shift:
                bits = np.concatenate([segment.all_bits()[:shift], bits])
        ends = block.condition_ns.take(chosen)
        by_start = block.events.is_start.take(chosen)
        spans = Spans(
            start_ns=block.condition_ns.take(chosen - 1, mode="clip"),
            end_ns=ends,
            begins=block.first_rise.take(chosen) + shift,
            # The last rise is the one that the condition came in.
            clocks=np.maximum(block.rises.take(chosen) - 1, 0),
            started_by=np.zeros(len(chosen), np.uint8),
            ended_by=by_start.astype(np.uint8),  # STOP or RESTART
            scl_low_max_ns=block.scl_low_max_ns.take(chosen),
            problems=block.problems.take(chosen),
        )
        if chosen[0] == 0:
            spans.start_ns[0], spans.begins[0] = segment.start_ns, 0
            spans.clocks[0] = max(segment.rises - 1, 0) if segment.kind == OPEN else 0
            spans.scl_low_max_ns[0], spans.problems[0] = segment.scl_low_max_ns, segment.problems
        spans.ended_by[by_start & (spans.clocks % 9 > 0)] = START
        if len(block.quiet):
            gap_ns = block.gap_ns.take(block.events.conditions.take(chosen))
            late = by_start & (gap_ns >= self._held_ns)
            spans.ended_by[late] = START
            spans.end_ns[late] -= gap_ns[late]
        spans.started_by[1:] = spans.ended_by[:-1] == RESTART  # BY_RESTART, else BY_START
        spans.started_by[0] = segment.started_by if chosen[0] == 0 else BY_START
        return spans, bits

    def _carry(self, block: Block) -> None:
        """Keep what the next block needs to know of the last row."""
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

    def _split(self, at_ns: int) -> None:
        """Close the row of the open transaction and go on with it in a new one."""
        self._segment.problems |= _SPLIT
        last_bit = bool(self._segment.all_bits()[-1])
        table = self._close_open(at_ns, CUT)
        header = Header(
            address=int(table.address[0]),
            address_bits=int(table.address_bits[0]),
            read=bool(table.read[0]),
            address_acked=bool(table.address_acked[0]),
            last_acked=not last_bit,
        )
        self._segment = Segment(OPEN, at_ns, BY_CUT, problems=_SPLIT, header=header)

    def _close_open(self, end_ns: int, ended_by: int) -> Transactions:
        """Make a row of the open transaction without a condition."""
        segment = self._segment
        pending = 1 if self._scl and segment.rises else 0
        spans = Spans(
            start_ns=np.array([segment.start_ns], np.int64),
            end_ns=np.array([end_ns], np.int64),
            begins=np.zeros(1, np.intp),
            clocks=np.array([segment.rises - pending if segment.kind == OPEN else 0], np.intp),
            started_by=np.array([segment.started_by], np.uint8),
            ended_by=np.array([ended_by], np.uint8),
            scl_low_max_ns=np.array([segment.scl_low_max_ns], np.int64),
            problems=np.array([segment.problems], np.uint32),
        )
        table = self._reader.rows(spans, segment.all_bits(), segment.header)
        self._tables.append(table)
        return table


def _with_idle(states: LineStates, idle_ns: npt.NDArray[np.int64]) -> LineStates:
    """The states and idle spans of some length; `idle_ns` is int64[2, k] starts and ends."""
    idle_ns = idle_ns[:, idle_ns[1] > idle_ns[0]]
    k = idle_ns.shape[1]
    return LineStates(
        start_ns=np.concatenate([states.start_ns, idle_ns[0]]),
        end_ns=np.concatenate([states.end_ns, idle_ns[1]]),
        state=np.concatenate([states.state, np.full(k, IDLE, np.uint8)]),
        bit_slot=np.concatenate([states.bit_slot, np.full(k, NO_SLOT, np.int8)]),
        turn=np.concatenate([states.turn, np.full(k, UNKNOWN, np.uint8)]),
    )
