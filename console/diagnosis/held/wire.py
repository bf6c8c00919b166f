"""Clock rises and conditions of a kept stretch of wire, as the decoder finds them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.diagnosis.scene import Bools, Int64s, Levels
from decoders.buses.bus_rows import bus_rows
from decoders.buses.i2c_conditions import wire_events
from decoders.captures.edges import Edges

SPIKE_NS = 50  # UM10204 table 11, tSP: what inputs of Fast-mode devices do not see
_SCL, _SDA = 0, 1  # bits of the level words


@dataclass(frozen=True, slots=True, eq=False)
class Wire:
    """Both lines over a span, spikes taken out; n rows, r rises of SCL, c conditions."""

    t_ns: Int64s  # [n] common axis; each row changes a line
    scl: npt.NDArray[np.uint8]  # [n + 1] row 0 the state before
    sda: npt.NDArray[np.uint8]  # [n + 1] likewise
    rise_ns: Int64s  # [r]
    bit: npt.NDArray[np.uint8]  # [r] SDA at the rise
    is_clock: Bools  # [r] no START or STOP came in its HIGH
    condition_ns: Int64s  # [c]
    is_start: Bools  # [c]
    until_ns: int

    def levels_at(self, at_ns: int) -> tuple[int, int]:
        """SCL and SDA at a time, what changed then taken in."""
        row = int(self.t_ns.searchsorted(at_ns, "right"))
        return int(self.scl[row]), int(self.sda[row])

    def condition_after(self, at_ns: int) -> int | None:
        """The first condition later than a time; its place in the columns."""
        place = int(self.condition_ns.searchsorted(at_ns, "right"))
        return place if place < len(self.condition_ns) else None

    def next_fall_ns(self, from_ns: Int64s) -> Int64s:
        """int64[k]: when SCL next fell after each of k times; the end where it did not."""
        falls = self.t_ns[np.flatnonzero(self.scl[1:] < self.scl[:-1])]
        return np.append(falls, self.until_ns)[falls.searchsorted(from_ns, "right")]

    def last_edge_ns(self, at_ns: int) -> int:
        """The last edge of a line at a time or before it; that time when there is none."""
        row = int(self.t_ns.searchsorted(at_ns, "right"))
        return int(self.t_ns[row - 1]) if row else at_ns

    def sda_rose_ns(self, before_ns: int) -> int | None:
        """When SDA last rose, at a time or before it."""
        rose = self.t_ns[np.flatnonzero(self.sda[1:] > self.sda[:-1])]
        at = int(rose.searchsorted(before_ns, "right"))
        return int(rose[at - 1]) if at else None


def wire_of(levels: Levels, spike_ns: int = SPIKE_NS) -> Wire | None:
    """Read a stretch of wire with the decoder's own masks; None when nothing changed in it."""
    words = (levels.scl.astype(np.uint8) << _SCL) | (levels.sda.astype(np.uint8) << _SDA)
    edges = Edges(levels.t_ns, words.astype(np.uint8), begins=True, until_ns=levels.until_ns)
    rows = bus_rows(edges, _SCL, _SDA, spike_ns)
    if not len(rows.t_ns):
        return None
    events = wire_events(rows.t_ns, rows.scl, rows.sda, rows.fall_ns)
    borders = np.concatenate([[0], events.rises_before[:-1]]).astype(np.intp)
    with_rise = events.rises_before > borders[: len(events.rises_before)]
    is_clock = np.ones(len(events.rises), np.bool_)
    is_clock[events.rises_before[with_rise] - 1] = False
    return Wire(
        t_ns=rows.t_ns,
        scl=rows.scl,
        sda=rows.sda,
        rise_ns=events.rise_ns,
        bit=events.values,
        is_clock=is_clock,
        condition_ns=rows.t_ns[events.conditions],
        is_start=events.is_start,
        until_ns=rows.until_ns,
    )
