"""Lines held low: when, where in a byte, and whose turn it was to drive SDA.

SCL is held when it is low for the limit. SDA is held when it is low for the limit with SCL high and
no edge on either line: while clocks run, a long low SDA is a row of zeros. Both lines high for the
limit inside a transaction is no hold but a bus left busy.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from decoders.buses.i2c_segments import (
    OPEN,
    OUTSIDE,
    SCL_HELD_PROBLEM,
    Block,
    Header,
    Segment,
)
from decoders.buses.transactions import LINE_STATES, TURNS, problem_bit

StateRow = tuple[int, int, int, int, int]  # start_ns, end_ns, state, bit_slot, turn

IDLE, BUSY, SDA_HELD, SCL_HELD, BOTH_HELD, SPIKE, NOISE, NOT_OBSERVED = range(len(LINE_STATES))
UNKNOWN, CONTROLLER, TARGET = range(len(TURNS))
NO_SLOT = -1
SDA_HELD_PROBLEM = problem_bit("sda-held")


def state_row(start_ns: int, end_ns: int, state: int) -> StateRow:
    """A line state that has no bit slot."""
    return int(start_ns), int(end_ns), state, NO_SLOT, UNKNOWN


def slot_and_turn(
    bits: npt.NDArray[np.uint8], clocks: int, header: Header | None
) -> tuple[int, int]:
    """The bit slot a transaction stands in, and who drives SDA in it.

    The target drives the acknowledge of address and written bytes and the bits of read bytes; all
    else is the controller's (UM10204 sections 3.1.5, 3.1.6, 3.1.10, 3.1.11). After a NACK it is the
    controller's turn to make a STOP or a repeated START.

    Args:
        bits: uint8[>= clocks] SDA in each whole clock since START, or since the split.
        clocks: whole clocks so far.
        header: for the later part of a split transaction.

    Returns:
        Slot 0..8 (8 the acknowledge) and an index into TURNS.
    """
    byte, slot = divmod(clocks, 9)
    after_nack = bool(bits[clocks - 1]) if byte else header is not None and not header.last_acked
    if slot == 0 and after_nack:
        return slot, CONTROLLER
    # R/W stands in the first byte; a second address byte only follows a write (section 3.1.11).
    read = header.read if header is not None else byte > 0 and bool(bits[7])
    return slot, TARGET if read != (slot == 8) else CONTROLLER


def held_row(segment: Segment, span_ns: tuple[int, int], state: int, scl_high: bool) -> StateRow:
    """A hold that lasts in the segment that is open."""
    slot, turn = NO_SLOT, UNKNOWN
    if segment.kind == OPEN:
        # The clock that is high now is not whole.
        clocks = max(segment.rises - scl_high, 0)
        slot, turn = slot_and_turn(segment.all_bits(), clocks, segment.header)
    return *span_ns, state, slot, turn


def find_holds(block: Block, segment: Segment, sda_rose_in_low: bool) -> list[StateRow]:
    """Rows for holds that end in a block, and its `sda-held` problems; rare, so one by one.

    Args:
        block: `block.problems` takes the problem of held SDA.
        segment: segment 0, without what the block adds to it.
        sda_rose_in_low: SDA was high at some time of an SCL low that began before the block.
    """
    rows = []
    if (block.problems & np.uint32(SCL_HELD_PROBLEM)).any():
        rows += _scl_holds(block, segment, sda_rose_in_low)
    if len(block.quiet):
        rows += _quiet_rows(block, segment)
    return rows


def _scl_holds(block: Block, segment: Segment, sda_rose_in_low: bool) -> list[StateRow]:
    events = block.events
    fall_rows = np.zeros(len(events.fall_ns), np.intp)
    fall_rows[1:] = events.rises + 1
    fall_rows[events.rises_before] = events.conditions + 1
    ups = np.zeros(len(block.t_ns) + 1, np.int64)  # rows so far with SDA high
    np.cumsum(block.sda[1:], out=ups[1:])
    rows = []
    for k in (block.low_ns >= block.held_ns).nonzero()[0].tolist():
        rose = bool(ups[events.rises[k]] > ups[fall_rows[k]])
        if k == 0 and not block.scl[0]:
            rose = rose or sda_rose_in_low
        number = int(events.rises_before.searchsorted(k, "right"))
        span_ns = int(events.fall_ns[k]), int(events.rise_ns[k])
        state = SCL_HELD if rose else BOTH_HELD
        rows.append(_row_in(block, segment, number, k, span_ns, state))
    return rows


def _quiet_rows(block: Block, segment: Segment) -> list[StateRow]:
    """Held SDA, and transactions left with both lines high."""
    scl, sda = block.scl.take(block.quiet), block.sda.take(block.quiet)
    numbers = block.events.conditions.searchsorted(block.quiet)
    is_held = (scl == 1) & (sda == 0)
    is_busy = (scl == 1) & (sda == 1) & (block.kinds.take(numbers) != OUTSIDE)
    rows = []
    for k in (is_held | is_busy).nonzero()[0].tolist():
        row, number = int(block.quiet[k]), int(numbers[k])
        end_ns = int(block.t_ns[row])
        span_ns = end_ns - int(block.gap_ns[row]), end_ns
        if is_busy[k]:
            rows.append(state_row(*span_ns, BUSY))
            continue
        block.problems[number] |= np.uint32(SDA_HELD_PROBLEM)
        rise = int(block.events.rises.searchsorted(row))
        rows.append(_row_in(block, segment, number, rise, span_ns, SDA_HELD))
    return rows


def _row_in(
    block: Block,
    segment: Segment,
    number: int,
    rise: int,
    span_ns: tuple[int, int],
    state: int,
) -> StateRow:
    """A hold inside segment `number` of a block, before clock rise `rise` of the block."""
    slot, turn = NO_SLOT, UNKNOWN
    if block.kinds[number] == OPEN:
        first = int(block.first_rise[number])
        bits, header, rises = block.events.values[first:rise], None, rise - first
        if number == 0:
            bits, header = np.concatenate([segment.all_bits(), bits]), segment.header
            rises += segment.rises
        clocks = max(rises - 1, 0) if state == SDA_HELD else rises
        slot, turn = slot_and_turn(bits, clocks, header)
    return *span_ns, state, slot, turn
