"""The I2C tables as columns: transactions, and the states of the lines between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import overload

import numpy as np
import numpy.typing as npt

STARTED_BY = ("start", "restart", "cut")  # code -> word
# `start`: one out of place, inside a byte or long after the bus was left without a STOP.
# `stuck`: the end of observation with a line held.
ENDED_BY = ("stop", "restart", "start", "cut", "stuck")

# Bit of `problems` -> word. Append only: stored runs hold the bits.
PROBLEMS = (
    "address-nack",  # nobody acknowledged the address
    "data-nack",  # a written byte was not acknowledged
    "read-end-acked",  # the controller ended a read without the NACK of UM10204 section 3.1.10
    "cut-in-byte",  # START or STOP before the ninth clock of a byte
    "no-stop",  # it ended with what was observed, or with a START out of place
    "begins-cut",  # the observed stretch began inside it
    "ends-cut",  # the observed stretch ended inside it
    "void",  # START directly followed by STOP (illegal: UM10204 section 3.1.10 note 5) or START
    # a reserved address (UM10204 table 4) was used, or a general call of 00 (section 3.1.13)
    "reserved-address",
    "sda-held",  # SDA was held low for longer than the limit while the clock stood high
    "scl-held",  # SCL was held low for longer than the limit
    "spike",  # a pulse shorter than the filter was taken out
    "pec",  # SMBus packet error code wrong
    "split",  # longer than one row may be: part of it is in the row before or after
)

LINE_STATES = (
    "idle",  # both lines high, no transaction open
    "busy",  # no STOP, but both lines high beyond the limit; or all of a stretch too short to tell
    "sda-held",
    "scl-held",
    "both-held",  # SCL held low, SDA low all the while
    "spike",  # a pulse that the filter took out
    "noise",  # edges outside any transaction: clocks or pulses without a START
    "not-observed",  # between two observed stretches
)
TURNS = ("unknown", "controller", "target")


def problem_bit(word: str) -> int:
    """The value of one problem's bit in `Transactions.problems`.

    Raises:
        ValueError: if there is no such word.
    """
    return 1 << PROBLEMS.index(word)


@dataclass(frozen=True, slots=True, eq=False)
class Transactions:
    """I2C transactions in start order; every column has n rows, n may be 0.

    A transaction runs from START or repeated START to the next repeated START or STOP (UM10204
    section 3.1.10). What was cut has what was seen of it.
    """

    start_ns: npt.NDArray[np.int64]  # [n] the (repeated) START, or the first moment seen when cut
    end_ns: npt.NDArray[np.int64]  # [n] the STOP, repeated START, or last edge that belongs to it
    address: npt.NDArray[np.int16]  # [n] 7 or 10-bit address; -1 when cut before it was complete
    address_bits: npt.NDArray[np.uint8]  # [n] 7 or 10; 0 when unknown
    read: npt.NDArray[np.bool_]  # [n] R/W bit: True for a read
    address_acked: npt.NDArray[np.bool_]  # [n] (10-bit: every address byte)
    first: npt.NDArray[np.int64]  # [n + 1] row i holds data[first[i] : first[i + 1]]
    data: npt.NDArray[np.uint8]  # [m] bytes after the address bytes, of all rows, end to end
    acked: npt.NDArray[np.bool_]  # [m] whether that byte was acknowledged
    started_by: npt.NDArray[np.uint8]  # [n] index into STARTED_BY
    ended_by: npt.NDArray[np.uint8]  # [n] index into ENDED_BY
    bits_over: npt.NDArray[np.uint8]  # [n] clocks after the last whole byte (0..8), 0 when none
    scl_low_max_ns: npt.NDArray[np.int64]  # [n] longest SCL LOW inside: clock stretching shows here
    problems: npt.NDArray[np.uint32]  # [n] bit k set = PROBLEMS[k]

    def __len__(self) -> int:
        return len(self.start_ns)


@dataclass(frozen=True, slots=True, eq=False)
class LineStates:
    """What the two lines did outside transactions, or that they were held, in start order; n rows.

    Together with the transactions it accounts for every edge: each lies in a transaction, an idle
    span, or a reported span. Held, busy and spike rows may lie inside transactions.
    """

    start_ns: npt.NDArray[np.int64]  # [n]
    end_ns: npt.NDArray[np.int64]  # [n] when it ended, or the last time it was seen to last
    state: npt.NDArray[np.uint8]  # [n] index into LINE_STATES
    bit_slot: npt.NDArray[
        np.int8
    ]  # [n] clocks since the last byte border when a line was held, 0..8; else -1
    turn: npt.NDArray[np.uint8]  # [n] index into TURNS: whose turn it was to drive SDA when held

    def __len__(self) -> int:
        return len(self.start_ns)


def no_transactions() -> Transactions:
    """A table of no rows."""
    return Transactions(
        start_ns=np.empty(0, np.int64),
        end_ns=np.empty(0, np.int64),
        address=np.empty(0, np.int16),
        address_bits=np.empty(0, np.uint8),
        read=np.empty(0, np.bool_),
        address_acked=np.empty(0, np.bool_),
        first=np.zeros(1, np.int64),
        data=np.empty(0, np.uint8),
        acked=np.empty(0, np.bool_),
        started_by=np.empty(0, np.uint8),
        ended_by=np.empty(0, np.uint8),
        bits_over=np.empty(0, np.uint8),
        scl_low_max_ns=np.empty(0, np.int64),
        problems=np.empty(0, np.uint32),
    )


def line_states(rows: Sequence[tuple[int, int, int, int, int]] = ()) -> LineStates:
    """A table of `(start_ns, end_ns, state, bit_slot, turn)` rows, in the order given."""
    columns = np.array(rows, np.int64).reshape(-1, 5).T
    return LineStates(
        start_ns=columns[0].copy(),
        end_ns=columns[1].copy(),
        state=columns[2].astype(np.uint8),
        bit_slot=columns[3].astype(np.int8),
        turn=columns[4].astype(np.uint8),
    )


def in_start_order(table: LineStates) -> LineStates:
    """The rows sorted by start, then end, state, bit slot and turn: one order for one set."""
    if len(table) < 2:
        return table
    order = np.lexsort((table.turn, table.bit_slot, table.state, table.end_ns, table.start_ns))
    return LineStates(*(getattr(table, column.name)[order] for column in fields(LineStates)))


@overload
def concatenated(parts: Sequence[Transactions]) -> Transactions: ...
@overload
def concatenated(parts: Sequence[LineStates]) -> LineStates: ...
def concatenated(
    parts: Sequence[Transactions] | Sequence[LineStates],
) -> Transactions | LineStates:
    """Several tables of one kind as one.

    Transactions keep the order of the parts. Line states are put in start order, since a state is
    given when it ends and one that began earlier may end later. No parts: no transactions.
    """
    states = [part for part in parts if isinstance(part, LineStates)]
    if states:
        return in_start_order(
            LineStates(
                *(
                    np.concatenate([getattr(part, column.name) for part in states])
                    for column in fields(LineStates)
                )
            )
        )
    tables = [part for part in parts if isinstance(part, Transactions) and len(part)]
    if not tables:
        return no_transactions()
    if len(tables) == 1:
        return tables[0]
    columns = {
        column.name: np.concatenate([getattr(part, column.name) for part in tables])
        for column in fields(Transactions)
        if column.name != "first"
    }
    lengths = np.concatenate([np.diff(part.first) for part in tables])
    return Transactions(first=np.concatenate([[0], np.cumsum(lengths)]), **columns)
