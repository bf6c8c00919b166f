"""How noisy values are, and averaging them as far as their shape allows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_MAD = 0.6745  # of a normal distribution: median deviation over standard deviation


def noise_of(values: Floats) -> float:
    """Standard deviation of what is added to values that change slowly.

    From the second differences, of which slow changes leave little; their median, so that a step
    counts for nothing (variance 1 + 4 + 1 of the noise's). 0 for fewer than five values.
    """
    if len(values) < 5:
        return 0.0
    bends = values[2:] - 2 * values[1:-1] + values[:-2]
    return float(np.median(np.abs(bends)) / _MAD / np.sqrt(6))


def averaged(
    values: Floats, noise: float, wanted: float, most: int, before: float
) -> tuple[Floats, float]:
    """Values under a running mean that brings their noise down, and the noise that is left.

    Args:
        values: float64[n].
        noise: standard deviation of their noise.
        wanted: what it should come down to.
        most: over how many values the mean may reach.
        before: what the values were before the first.

    Returns:
        float64[n] of the same places (at the end over fewer values), and the deviation left.
    """
    if noise <= wanted:
        return values, noise
    width = min((noise / wanted) ** 2, most, len(values))
    reach = int(np.ceil((width - 1) / 2))  # to either side, so that nothing moves in time
    if reach < 1:
        return values, noise
    padded = np.concatenate([np.full(reach, before), values])
    sums = np.concatenate([[0.0], np.cumsum(padded)])
    first = np.arange(len(values))
    last = np.minimum(first + 2 * reach + 1, len(padded))
    return (sums[last] - sums[first]) / (last - first), noise / (2 * reach + 1) ** 0.5
