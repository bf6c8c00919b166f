"""The gap structure of one target's traffic: what belongs to one poll, learned from the data.

Gaps between neighbouring transactions are counted in bins a quarter of an octave wide, by the
directions on both sides. Polling shows as two heaps of gaps with nothing between them: short ones
inside a poll (a request and its reply), long ones between polls. The threshold lies in the empty
space between. With several such spaces the lowest is taken that keeps replies with their requests
and lets all polls begin alike; so a poll rate that changes during the run does no harm.

Counts alone are kept, so memory is fixed and the result does not depend on how the run is cut.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Truths = npt.NDArray[np.bool_]

NEVER = -(2**62)  # stands for no time; earlier than any

_PER_OCTAVE = 4
_BINS = 63 * _PER_OCTAVE
_EMPTY_BINS = 6  # the space between two heaps: a factor of 2.8
_HEAP = 0.05  # what a heap must hold of all gaps; a poll of up to 20 transactions has 1 in 20
_ALIKE = 0.95
_FEWEST_GAPS = 8


def bin_of(ns: Ints) -> Ints:
    """Bin of each length of time; 0 and less count as 1 ns."""
    return (np.log2(np.maximum(ns, 1)) * _PER_OCTAVE).astype(np.int64)


def middle_of(bin_: float) -> int:
    """A length of time in the middle of a bin, ns."""
    return int(2 ** ((bin_ + 0.5) / _PER_OCTAVE))


@dataclass(slots=True)
class Spread:
    """How lengths of time are spread, in counts of bins."""

    counts: Ints = field(default_factory=lambda: np.zeros(_BINS, np.int64))

    def add(self, ns: Ints) -> None:
        """Count these lengths: int64[n] ns, n may be 0."""
        if len(ns):
            self.counts += np.bincount(bin_of(ns), minlength=_BINS)

    def quantile_ns(self, q: float) -> int:
        """The length below which the share `q` lies, to a bin; 0 when there is none."""
        total = int(self.counts.sum())
        if total == 0:
            return 0
        return middle_of(int(np.searchsorted(np.cumsum(self.counts), q * total)))


@dataclass(slots=True)
class GapShape:
    """Counts of gaps by the directions around them."""

    counts: Ints = field(default_factory=lambda: np.zeros((4, _BINS), np.int64))

    def add(self, gap_ns: Ints, read_before: Truths, read_after: Truths) -> None:
        """Count gaps, int64[n] ns; the two others, bool[n], say which side was a read."""
        if len(gap_ns):
            kind = read_before.astype(np.int64) * 2 + read_after
            flat = np.bincount(kind * _BINS + bin_of(gap_ns), minlength=4 * _BINS)
            self.counts += flat.reshape(4, _BINS)

    def threshold(self) -> tuple[int, int] | None:
        """The gap above which a new poll begins, and the usual gap between polls.

        Returns:
            Both in ns; None if the gaps do not fall into two heaps.
        """
        total = self.counts.sum(axis=0)
        spaces = _spaces(total)
        if not spaces:
            return None
        low, high = next((s for s in spaces if self._divides_well(s)), spaces[-1])
        above = Spread(np.where(np.arange(_BINS) >= high, total, 0))
        return middle_of((low + high - 1) / 2), above.quantile_ns(0.5)

    def _divides_well(self, space: tuple[int, int]) -> bool:
        write_read = self.counts[1]
        replies = int(write_read.sum())
        if replies >= _HEAP * self.counts.sum() and write_read[: space[0]].sum() < _ALIKE * replies:
            return False
        begin_write = int(self.counts[[0, 2], space[1] :].sum())
        begin_read = int(self.counts[[1, 3], space[1] :].sum())
        return max(begin_write, begin_read) >= _ALIKE * (begin_write + begin_read)


def _spaces(total: Ints) -> list[tuple[int, int]]:
    """Empty spaces between heaps, lowest first: first and past-the-last empty bin of each."""
    n = int(total.sum())
    if n < _FEWEST_GAPS:
        return []
    filled = np.flatnonzero(total > 0.002 * n)
    wide = np.flatnonzero(np.diff(filled) > _EMPTY_BINS)
    below = np.cumsum(total)
    return [
        (int(filled[k]) + 1, int(filled[k + 1]))
        for k in wide
        if _HEAP * n <= below[filled[k]] <= (1 - _HEAP) * n
    ]
