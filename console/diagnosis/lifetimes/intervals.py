"""The exact interval of a share of tries."""

from __future__ import annotations


def share_interval(found: float, tries: float, confidence: float = 0.95) -> tuple[float, float]:
    """Clopper and Pearson (1934, Biometrika 26, 404-413): the share that `found` of `tries` tells.

    Numbers that come in clumps may be given divided by the size of a clump, whole or not.

    Raises:
        ValueError: unless 0 <= found <= tries and there was a try.
    """
    from scipy.special import betaincinv

    if not 0 <= found <= tries or not tries:
        raise ValueError(f"{found} of {tries}")
    tail = (1 - confidence) / 2
    low = 0.0 if not found else float(betaincinv(found, tries - found + 1, tail))
    high = 1.0 if found == tries else float(betaincinv(found + 1, tries - found, 1 - tail))
    return low, high
