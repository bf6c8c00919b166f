"""How far apart values of a series must be to count as two: neighbours are alike.

A mean of n values in a row varies as that of n / T independent ones (Bayley and Hammersley, Journal
of the Royal Statistical Society, Supplement 8, 1946, 184-197), with T the sum of the correlations
at all distances. It is summed as far as pairs of neighbouring ones are positive (Geyer's initial
positive sequence, Statistical Science 7, 1992, 473-483), on ranks, as a test of ranks needs it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def correlation_time(values: Floats) -> float:
    """Values for one independent one; at least 1, which is as for values drawn by chance.

    Of a series that wanders as slowly as it is long it comes out too short: what is left of such a
    series for independent values, less than ten, is not to be relied upon.

    Args:
        values: float64[n] in time order, n may be 0.
    """
    ranks = _ranks(values)
    away = ranks - ranks.mean() if len(ranks) else ranks
    power = float((away**2).sum())
    if power == 0:
        return 1.0
    n = len(away)
    spectrum = np.fft.rfft(away, 2 * n)  # twice as long: the ends do not meet
    correlations = np.fft.irfft(np.abs(spectrum) ** 2, 2 * n)[:n] / power
    pairs = correlations[: n // 2 * 2].reshape(-1, 2).sum(axis=1)
    positive = np.logical_and.accumulate(pairs > 0)
    return max(2 * float(pairs[positive].sum()) - 1, 1.0)


def _ranks(values: Floats) -> Floats:
    """Ranks, equal values the middle of theirs."""
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    middles: Floats = (np.cumsum(counts) - (counts - 1) / 2)[inverse]
    return middles
