"""The rows of one bus in a span: both lines, without spikes, cut at the borders of transactions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.spikes import without_spikes
from decoders.captures.edges import Edges

Int64s = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class BusRows:
    """n rows, each of which changes a line, with the state before them."""

    t_ns: Int64s  # [n]
    scl: npt.NDArray[np.uint8]  # [n + 1] row 0 the state before
    sda: npt.NDArray[np.uint8]  # [n + 1] likewise
    fall_ns: int  # when SCL fell, if it is low in the state before
    until_ns: int  # the last levels are known to hold up to here
    spikes_ns: Int64s  # [s, 2] beginnings and ends of the pulses that were taken out
    closed: bool = False  # the last row is the condition that ends what was asked for


def bus_rows(edges: Edges, scl: int, sda: int, spike_ns: int) -> BusRows:
    """Both lines, without rows that change neither and without spikes.

    Args:
        edges: of one observed stretch; row 0 states the levels before.
        scl: bit number of SCL in the level words.
        sda: bit number of SDA.
        spike_ns: pulses shorter than this are taken out; those that the edges cut are not.
    """
    one = edges.levels.dtype.type(1)
    lines = [
        (edges.levels >> edges.levels.dtype.type(line) & one).astype(np.uint8)
        for line in (scl, sda)
    ]
    first_ns = int(edges.t_ns[0]) if len(edges.t_ns) else edges.until_ns
    if not len(edges.t_ns):
        lines = [np.ones(1, np.uint8)] * 2
    changed = np.flatnonzero((lines[0][1:] != lines[0][:-1]) | (lines[1][1:] != lines[1][:-1])) + 1
    rows = np.append(0, changed)
    t_ns = edges.t_ns[changed]
    clock, data = (line[rows] for line in lines)
    state = int(clock[0]), int(data[0])
    clean = without_spikes(t_ns, clock, data, len(t_ns), state, spike_ns)
    spikes_ns = np.stack([clean.spike_start_ns, clean.spike_end_ns], axis=1)
    return BusRows(clean.t_ns, clean.scl, clean.sda, first_ns, edges.until_ns, spikes_ns)


def part_of(rows: BusRows, begin_ns: int, end_ns: int) -> BusRows:
    """The rows from `begin_ns` to `end_ns`, views of those given.

    Of rows with these times, those before the START of the first transaction and those after the
    condition that ends the last one belong to others.
    """
    t_ns, scl, sda = rows.t_ns, rows.scl, rows.sda
    low, high = int(t_ns.searchsorted(begin_ns)), int(t_ns.searchsorted(end_ns, "right"))
    is_condition = (scl[1:] & scl[:-1]).view(np.bool_)
    starts = np.flatnonzero(is_condition[low:high] & (sda[low + 1 : high + 1] == 0)) + low
    if len(starts) and t_ns[starts[0]] == begin_ns:
        low = int(starts[0])
    after = max(int(t_ns.searchsorted(end_ns)), low + 1)
    ends = np.flatnonzero(is_condition[after:high]) + after
    if len(ends):
        high = int(ends[0]) + 1
    falls = np.flatnonzero(scl[1 : low + 1] < scl[:low])
    inside = (rows.spikes_ns[:, 0] >= begin_ns) & (rows.spikes_ns[:, 0] <= end_ns)
    return BusRows(
        t_ns[low:high],
        scl[low : high + 1],
        sda[low : high + 1],
        int(t_ns[falls[-1]]) if len(falls) else rows.fall_ns,
        int(t_ns[high]) if high < len(t_ns) else rows.until_ns,
        rows.spikes_ns[inside],
        closed=len(ends) > 0,
    )
