"""Whether a byte carries a measured value with noise of its own, rather than bits or a count.

Noise goes up and down by small steps, and so over every boundary of its bits: from 7F to 80 all
bits change, and the value hardly does. Inputs of a port change one by one: a high bit that changes
makes a large step. A count goes one way only.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_CHANCE = 0.25  # that bits which change at random take a boundary of theirs by a small step
_SIGMAS = 3.4  # beyond chance: 4 small ones of 4 crossings, 10 of 16, half of 47
_BOTH_WAYS = 0.2  # share of the steps that go up, and of those that go down
_WIDTHS = (8, 16, 32, 64, 128)  # between boundaries; below, a step of noise is as large as any


def noisy_bytes(table: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    """Which bytes of replies carry noise.

    Args:
        table: uint8[n, length] replies to one request.

    Returns:
        bool[length].
    """
    return np.array([_is_noisy(column) for column in table.T.astype(np.int64)], np.bool_)


def _is_noisy(column: npt.NDArray[np.int64]) -> bool:
    steps = (np.diff(column) + 128) % 256 - 128
    up, down = int((steps > 0).sum()), int((steps < 0).sum())
    if min(up, down) < _BOTH_WAYS * max(up + down, 1):
        return False
    return any(_crosses(column // width, steps, width) for width in _WIDTHS)


def _crosses(blocks: npt.NDArray[np.int64], steps: npt.NDArray[np.int64], width: int) -> bool:
    """Whether steps over boundaries so far apart are smaller than half of that beyond chance."""
    crossed = np.abs(steps[np.diff(blocks) != 0])
    due, spread = _CHANCE * len(crossed), np.sqrt(_CHANCE * (1 - _CHANCE) * len(crossed))
    return bool((crossed < width / 2).sum() > due + _SIGMAS * spread)
