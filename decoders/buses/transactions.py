"""The I2C tables as columns: transactions, and the states of the lines between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

STARTED_BY = ("start", "restart", "cut")  # code -> word
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
    "void",  # START directly followed by STOP, illegal (UM10204 section 3.1.10 note 5)
    "reserved-address",  # a reserved address (UM10204 table 4) was used
    "sda-held",  # SDA was held low for longer than the limit while the clock stood high
    "scl-held",  # SCL was held low for longer than the limit
    "spike",  # a pulse shorter than the filter was taken out
    "pec",  # SMBus packet error code wrong
)

LINE_STATES = (
    "idle",
    "busy",
    "sda-held",
    "scl-held",
    "both-held",
    "spike",
    "noise",
    "not-observed",
)
TURNS = ("unknown", "controller", "target")


@dataclass(frozen=True, slots=True, eq=False)
class Transactions:
    """I2C transactions in start order; every column has n rows, n may be 0.

    A transaction runs from START or repeated START to the next repeated START or STOP (UM10204
    section 3.1.10). What was cut has what was seen of it.
    """

    start_ns: npt.NDArray[np.int64]  # [n] the (repeated) START, or the first edge seen when cut
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
    span, or a reported span.
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
