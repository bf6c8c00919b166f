"""The oddest pulse of each transaction: how wide it is, and where."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from console.diagnosis.before.statistics import Floats, Ints, Truths
from console.diagnosis.scene import Levels


@dataclass(frozen=True, slots=True, eq=False)
class Pulses:
    """The p stretches of one level of a line, in time order; the first and the last left out."""

    from_ns: Ints  # [p]
    until_ns: Ints  # [p]
    high: Truths  # [p]

    def of_level(self, *, high: bool) -> Pulses:
        """Those of one level alone."""
        own = self.high if high else ~self.high
        return Pulses(self.from_ns[own], self.until_ns[own], self.high[own])


def pulses_of(level: Truths, levels: Levels) -> Pulses:
    """The pulses of one of the lines of `levels`."""
    t_ns = np.append(levels.t_ns, levels.until_ns)
    begins = np.flatnonzero(level[1:] != level[:-1]) + 1
    return Pulses(t_ns[begins[:-1]], t_ns[begins[1:]], level[begins[:-1]])


class WidthOfRows:
    """The smallest (or largest) width of a pulse that lies in each of n spans.

    Args:
        pulses: of one line.
        begins: int64[n] of the spans, in time order.
        ends: int64[n]; what lies in two spans belongs to the later one.
        most: the largest is meant.
    """

    def __init__(self, pulses: Pulses, begins: Ints, ends: Ints, *, most: bool = False) -> None:
        self._pulses, self._most = pulses, most
        self._first = pulses.from_ns.searchsorted(begins)
        own = np.append(self._first[1:], len(pulses.from_ns))
        self._end = np.minimum(pulses.until_ns.searchsorted(ends, side="right"), own)

    @cached_property
    def values_ns(self) -> Floats:
        """float64[n]; 0 where a span has no pulse."""
        values = np.zeros(len(self._first))
        rows = np.flatnonzero(self._end > self._first)
        if len(rows):
            widths = np.append(self._pulses.until_ns - self._pulses.from_ns, 0)
            borders = np.column_stack([self._first[rows], self._end[rows]]).ravel()
            best = np.maximum if self._most else np.minimum
            values[rows] = best.reduceat(widths, borders)[::2]
        return values

    def at_ns(self, row: int) -> int:
        """Where the first pulse of that width of a span begins; the span must have one."""
        part = slice(int(self._first[row]), int(self._end[row]))
        begins = self._pulses.from_ns[part]
        widths = self._pulses.until_ns[part] - begins
        return int(begins[int(np.argmax(widths) if self._most else np.argmin(widths))])


class NarrowestOfRows:
    """The narrower of two lines' narrowest pulses in each of n spans."""

    def __init__(self, one: WidthOfRows, other: WidthOfRows) -> None:
        self._both = one, other

    @cached_property
    def values_ns(self) -> Floats:
        """float64[n]; 0 where a span has no pulse."""
        one, other = (each.values_ns for each in self._both)
        return np.where((one > 0) & (other > 0), np.minimum(one, other), np.maximum(one, other))

    def at_ns(self, row: int) -> int:
        """Where the first pulse of that width of a span begins; the span must have one."""
        narrowest = self.values_ns[row]
        return min(each.at_ns(row) for each in self._both if each.values_ns[row] == narrowest)


def pulse_widths(
    levels: Levels, begins: Ints, ends: Ints
) -> dict[str, WidthOfRows | NarrowestOfRows]:
    """By its name each width that is looked at of every transaction.

    Args:
        levels: of the bus.
        begins: int64[n] of the transactions, in time order.
        ends: int64[n].
    """
    scl, sda = pulses_of(levels.scl, levels), pulses_of(levels.sda, levels)
    narrowest = [WidthOfRows(each, begins, ends) for each in (scl, sda)]
    return {
        "narrowest pulse": NarrowestOfRows(*narrowest),
        "shortest SCL high": WidthOfRows(scl.of_level(high=True), begins, ends),
        "longest SCL low": WidthOfRows(scl.of_level(high=False), begins, ends, most=True),
    }
