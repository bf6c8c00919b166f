"""What one change of the two lines means: START, STOP, or a clock edge.

A line state is `SCL * 2 + SDA`. When both lines change in one row (sampled too coarsely, or with
one time stamp) their order is not known, and this one is taken: SDA changed while the clock was
low, as data must (UM10204 section 3.1.3). So SCL falling with SDA is a fall and then a change of
data; SCL rising with SDA is a change of data and then a rise that samples the new level. A START
whose SCL fall comes in the same row cannot be seen; its clocks show as noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

NOTHING, DATA, FALL, RISE, START, STOP = range(6)

# [previous state * 4 + current state]; UM10204 sections 3.1.3 and 3.1.4
MEANINGS = np.array(
    # to SCL/SDA  00       01       10       11
    [
        *(NOTHING, DATA, RISE, RISE),  # from 00
        *(DATA, NOTHING, RISE, RISE),  # from 01
        *(FALL, FALL, NOTHING, STOP),  # from 10
        *(FALL, FALL, START, NOTHING),  # from 11
    ],
    np.uint8,
)


def meanings(scl: npt.NDArray[np.uint8], sda: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """What each row after the first means.

    Args:
        scl: uint8[n + 1] levels 0 or 1, row 0 the state before.
        sda: uint8[n + 1] likewise.

    Returns:
        uint8[n], index into the names of this module (NOTHING .. STOP).
    """
    state = scl * 2 + sda
    return MEANINGS[state[:-1] * 4 + state[1:]]


@dataclass(frozen=True, slots=True, eq=False)
class WireEvents:
    """Clock rises and conditions of a block of rows, each of which changes a line.

    A low phase of SCL never contains a condition, and between a rise and its fall every row is a
    condition. So the rises alone tell the bits: all of a segment (what lies between two conditions)
    but the last, which is the one the next condition came in.
    """

    rises: npt.NDArray[np.intp]  # [r] rows in which SCL rises
    values: npt.NDArray[np.uint8]  # [r] SDA at the rise
    rise_ns: npt.NDArray[np.int64]  # [r]
    fall_ns: npt.NDArray[np.int64]  # [r + 1] the fall before rise k; the last is good if SCL is low
    conditions: npt.NDArray[np.intp]  # [c] rows with START or STOP
    is_start: npt.NDArray[np.bool_]  # [c]
    rises_before: npt.NDArray[np.intp]  # [c] rises in rows before the condition


def wire_events(
    t_ns: npt.NDArray[np.int64],
    scl: npt.NDArray[np.uint8],
    sda: npt.NDArray[np.uint8],
    open_fall_ns: int,
) -> WireEvents:
    """Find the clock rises and conditions by masks that say what MEANINGS says.

    Args:
        t_ns: int64[n], n > 0.
        scl: uint8[n + 1] levels 0 or 1, row 0 the state before; each row changes SCL or SDA.
        sda: uint8[n + 1] likewise.
        open_fall_ns: when SCL fell, if it is low in row 0.
    """
    before, now, data = scl[:-1], scl[1:], sda[1:]
    rises = (now > before).nonzero()[0]
    # SCL high before and after: then it is SDA that changed
    conditions = (now & before).view(np.bool_).nonzero()[0]
    rises_before = rises.searchsorted(conditions)
    fall_ns = np.empty(len(rises) + 1, np.int64)
    fall_ns[0] = t_ns[0] if before[0] else open_fall_ns
    if len(t_ns) > 1:
        t_ns[1:].take(rises, out=fall_ns[1:], mode="clip")
    fall_ns[rises_before] = t_ns.take(conditions + 1, mode="clip")
    return WireEvents(
        rises=rises,
        values=data.take(rises),
        rise_ns=t_ns.take(rises),
        fall_ns=fall_ns,
        conditions=conditions,
        is_start=data.take(conditions) == 0,
        rises_before=rises_before,
    )
