"""Random numbers that are the same on every machine and with every numpy.

Only the raw output of numpy's PCG64 is used: its stream is fixed (NEP 19), while the distributions
of `Generator` may change from one numpy to the next and with them every byte of the demo.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from typing import TypeVar

import numpy as np

T = TypeVar("T")

BLOCK = 4096  # raw numbers fetched at once; one at a time costs ten times as much


class Dice:
    """One stream of random numbers, told from the others of a run by its name.

    A stream of its own for each use keeps the others unchanged when one of them draws more.

    Args:
        seed: the run's seed, >= 0.
        name: what the numbers are for ("wire jitter", "network").
    """

    __slots__ = ("_bits", "_left")

    def __init__(self, seed: int, name: str) -> None:
        self._bits = np.random.PCG64(np.random.SeedSequence([seed, zlib.crc32(name.encode())]))
        self._left: list[int] = []

    def _raw53(self) -> int:
        if not self._left:
            self._left = (self._bits.random_raw(BLOCK) >> np.uint64(11)).tolist()
        return self._left.pop()

    def below(self, limit: int) -> int:
        """A whole number from 0 to limit - 1; the limit is at most 2**32."""
        return (self._raw53() * limit) >> 53

    def between(self, low: int, high: int) -> int:
        """A whole number from low to high, both possible."""
        return low + self.below(high - low + 1)

    def unit(self) -> float:
        """A number of [0, 1)."""
        return self._raw53() * 2.0**-53

    def chance(self, probability: float) -> bool:
        """True with the given probability."""
        return self.unit() < probability

    def pick(self, choices: Sequence[T]) -> T:
        """One of the choices."""
        return choices[self.below(len(choices))]

    def exponential(self, mean: float) -> float:
        """A waiting time of the given mean (inverse of the distribution function)."""
        return -mean * math.log1p(-self.unit())

    def payload(self, count: int) -> bytes:
        """`count` bytes of any value."""
        return bytes(self.below(256) for _ in range(count))
