"""Pulses and conditions that no controller makes, and what they lie beside."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from console.diagnosis.causes.clocks import Clocks, near, pulses_below
from console.diagnosis.scene import Bools, Int64s

_COUPLED_NS = 150  # an edge couples into its neighbour within about 100 ns; 50 for the samples
_CHATTER_NS = 1_000  # UM10204 table 11: no rise of standard mode takes longer
_BURST_NS = 5_000_000  # disturbances of one switching act


@dataclass(eq=False)
class Disturbances:
    """Of one stretch of wire; `sample_ns` is the capture's grain."""

    clocks: Clocks
    sample_ns: int

    @cached_property
    def runt(self) -> Bools:
        """bool[n]: clocks of transfers whose HIGH is less than half the usual one."""
        usual = self.clocks.high_usual_ns
        return (self.clocks.high_ns < usual / 2) & (self.clocks.slot >= 0)

    @cached_property
    def after_stretch(self) -> Bools:
        """bool[n]: clocks whose LOW was stretched to twice the usual and more."""
        clocks = self.clocks
        return (clocks.low_ns > 2 * clocks.low_usual_ns) & (clocks.slot >= 0)

    @cached_property
    def runts_ns(self) -> Int64s:
        """Short clocks that follow no stretch."""
        return self.clocks.rise_ns[self.runt & ~self.after_stretch]

    @cached_property
    def runts_after_stretch_ns(self) -> Int64s:
        """Short clocks right after a stretch."""
        return self.clocks.rise_ns[self.runt & self.after_stretch]

    @cached_property
    def short_lows_ns(self) -> Int64s:
        """Rises of SCL after a LOW of less than half the usual."""
        clocks = self.clocks
        short = (clocks.low_ns > 0) & (clocks.low_ns < clocks.low_usual_ns / 2)
        return clocks.rise_ns[short]

    @cached_property
    def scl_ns(self) -> Int64s:
        """Disturbed SCL: short clocks after no stretch, and short lows."""
        return np.unique(np.concatenate([self.runts_ns, self.short_lows_ns]))

    @cached_property
    def sda_ns(self) -> Int64s:
        """Disturbed SDA: conditions inside bytes, and pulses shorter than a HIGH within one."""
        clocks = self.clocks
        narrow = pulses_below(clocks.edges_ns[1], clocks.high_usual_ns / 2)
        in_high = self._scl_high(narrow)
        return np.unique(np.concatenate([clocks.inside_ns, narrow[in_high]]))

    def _scl_high(self, t_ns: Int64s) -> Bools:
        clock = self.clocks.rise_ns.searchsorted(t_ns, "right") - 1
        if not len(self.clocks):
            return np.zeros(len(t_ns), np.bool_)
        at = np.maximum(clock, 0)
        return (clock >= 0) & (t_ns < self.clocks.rise_ns[at] + self.clocks.high_ns[at])

    @cached_property
    def both_ns(self) -> Int64s:
        """All of them, in order."""
        return np.unique(np.concatenate([self.scl_ns, self.sda_ns]))

    @cached_property
    def coupled(self) -> tuple[int, int]:
        """Short pulses of one line that begin at an edge of the other, and all short pulses."""
        scl, sda = self.clocks.edges_ns
        width = min(self.clocks.high_usual_ns / 2, 1_000)
        short = pulses_below(scl, width), pulses_below(sda, width)
        grain = _COUPLED_NS + self.sample_ns
        found = at_edge = 0
        for pulses, other, others_short in ((short[0], sda, short[1]), (short[1], scl, short[0])):
            # An edge of a disturbance of its own couples nothing.
            real = other[~near(other, others_short, int(width), 0)]
            found += len(pulses)
            at_edge += int(near(pulses, real, grain, 0).sum())
        return at_edge, found

    @property
    def is_coupled(self) -> bool:
        """Whether most short pulses begin at an edge of the other line, and they are several."""
        at_edge, found = self.coupled
        return at_edge >= 5 and at_edge > 0.6 * found

    @cached_property
    def chatter_ns(self) -> Int64s:
        """Rises of SCL that took several edges: the line crossed the threshold to and fro."""
        scl = self.clocks.edges_ns[0]
        if len(scl) < 4:
            return scl[:0]
        close = np.diff(scl) < min(_CHATTER_NS, max(self.clocks.high_usual_ns / 4, 1))
        twice = close[1:] & close[:-1]
        return np.asarray(scl[:-2][twice], np.int64)

    @cached_property
    def bursts_ns(self) -> Int64s:
        """The first disturbance of each burst."""
        t_ns = self.both_ns
        if not len(t_ns):
            return t_ns
        return np.asarray(t_ns[np.concatenate([[True], np.diff(t_ns) > _BURST_NS])], np.int64)

    @cached_property
    def pauses_ns(self) -> Int64s:
        """Rises of clocks inside bytes before which SCL was low, or high, for four clocks or more.

        A target stretches around the acknowledge (UM10204 section 3.1.9); a pause elsewhere is
        the controller's.
        """
        clocks = self.clocks
        long_ns = 4 * max(clocks.bit_ns, 1)
        previous_high = np.concatenate([[0], clocks.high_ns[:-1]])
        inside = clocks.within & ((clocks.low_ns > long_ns) | (previous_high > long_ns))
        return clocks.rise_ns[inside]

    @cached_property
    def high_spread(self) -> float:
        """Spread of SCL HIGH against that of LOW within bytes (quartile ranges over medians)."""
        inside = self.clocks.within
        if inside.sum() < 20:
            return 0.0
        high, low = self.clocks.high_ns[inside], self.clocks.low_ns[inside]
        return _relative(high) / max(_relative(low), 0.01)


def _relative(values: Int64s) -> float:
    low, middle, high = np.percentile(values, [25, 50, 75])
    return float((high - low) / max(middle, 1))
