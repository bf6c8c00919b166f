"""How far above the envelope of one-sided delays the true line may lie, but by chance."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def cap_ns(depth: Floats, doubt: float) -> float:
    """How far above the envelope of one-sided delays the true line may lie, but by chance.

    For n delays of an exponential law the shortest k lie, in total and censored at the k-th, S
    below the fitted edge, with S Gamma(k - 2); the true line lies e above it at the mean time,
    with n e Gamma(2) of the same scale. Then n e / S is beta prime(2, k - 2). Any other law looks
    alike near its least; so the shortest half, quarter.. are asked too, and the widest answer is
    taken. Where delays grow rarer towards the least (each answer wider than the one before), the
    widening from the shortest 64 or so to the shortest 8 is taken to go on. Delays that change
    together (arrivals stamped by a coarse tick) are fewer than n.

    Args:
        depth: float64[n] in order of time: how far below the edge each lies; n at least 3.
        doubt: chance that the true line lies further above.
    """
    n = len(depth)
    shortest = np.maximum(depth, 0.0)
    k = n
    caps, scales = [], []
    while k == n or k >= 8:
        shortest = np.partition(shortest, k - 1)[:k] if k < len(shortest) else shortest
        total = float(shortest.sum()) + (n - k) * float(shortest.max())
        caps.append(total / n * beta_prime_quantile(k - 2, doubt))
        scales.append(total / (k - 2))
        k //= 2
    blunt = scales[-1] / max(scales[-4], 1.0) if len(scales) > 4 else 1.0
    return max(caps) * max(blunt, 1.0) * n / _independent(depth)


def _independent(depth: Floats) -> float:
    """How many of the delays are independent, by how often they cross their median."""
    n = len(depth)
    crossings = int(np.count_nonzero(np.diff(depth > np.median(depth))))
    if n < 16 or crossings >= (n - 1) / 2 - 1.5 * np.sqrt(n):
        return float(n)
    return float(max(2 * crossings, 2))


@lru_cache(maxsize=256)
def beta_prime_quantile(m: int, doubt: float) -> float:
    """Where a beta prime(2, m) variable is exceeded with chance `doubt`.

    With s = 1 / (1 + q) that chance is s^m (1 + m (1 - s)), from the incomplete beta function.
    """
    low, high = 0.0, 1.0
    for _ in range(80):
        s = (low + high) / 2
        if s**m * (1 + m * (1 - s)) > doubt:
            high = s
        else:
            low = s
    return 1 / low - 1
