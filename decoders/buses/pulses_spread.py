"""How far values of many pulses scatter, robustly, in fixed memory and whatever their order.

Values are counted in bins half a percent wide, so a median is known that well. Robust means that
half of the values may be anything: a servo that moves, or a frame that comes late, does not make a
steady signal look restless.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

_SHIFT = 16  # a float32 has 23 bits of fraction: its top 7 and the exponent make the bin
_BASE = 127 << 7  # bin of 1.0
_BINS = 64 << 7
# The deviation of normal values is 1.4826 times the median of their distance from the middle.
DEVIATION = 1.4826


class SizeCounts:
    """Counts of whole values, 0 or more."""

    def __init__(self) -> None:
        self.counts = np.zeros(_BINS + 1, np.int64)  # the first: values below 1

    def add(self, values: npt.NDArray[np.int64]) -> None:
        """Count int64[n] values, each 0 or more."""
        bits = np.maximum(values, 1).astype(np.float32).view(np.int32) >> _SHIFT
        bins = np.where(values < 1, 0, bits - (_BASE - 1))
        self.counts += np.bincount(bins, minlength=_BINS + 1)

    @property
    def total(self) -> int:
        """How many were counted."""
        return int(self.counts.sum())

    def median(self) -> float:
        """The middle value, to half a percent; 0 when there are none."""
        return self.share(0.5)

    def share(self, part: float) -> float:
        """The value that this part of all does not exceed, to half a percent; 0 when none."""
        if not self.total:
            return 0.0
        at = int(np.searchsorted(self.counts.cumsum(), max(1, math.ceil(part * self.total))))
        if at == 0:
            return 0.0
        octave, step = divmod(at - 1, 1 << 7)
        return (
            float(2.0**octave * (1 + (step + 0.5) / (1 << 7)))
            if octave >= 7
            else float(math.floor(2.0**octave * (1 + step / (1 << 7))))
        )


def second_differences(widths: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Twice how far each value but the first and last is off the line of its neighbours.

    Of values that move steadily 0; of independent ones its deviation is sqrt(6) of theirs.

    Args:
        widths: int64[n].

    Returns:
        int64[max(0, n - 2)], 0 or more.
    """
    if len(widths) < 3:
        return np.empty(0, np.int64)
    off: npt.NDArray[np.int64] = np.abs(widths[2:] - 2 * widths[1:-1] + widths[:-2])
    return off


def deviation_of_second(counts: SizeCounts) -> float:
    """The deviation of the values whose second differences were counted."""
    return DEVIATION * counts.median() / math.sqrt(6)
