"""Exact 95 % intervals of counts: a share of tries, and events in a length of time."""

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


def events_interval(found: int, confidence: float = 0.95) -> tuple[float, float]:
    """Garwood (1936, Biometrika 28, 437-442): the mean number of which `found` were seen.

    Of a rate, divide both by the time (or tries) it was seen in.

    Raises:
        ValueError: when `found` is below 0.
    """
    from scipy.special import gammaincinv

    if found < 0:
        raise ValueError(str(found))
    tail = (1 - confidence) / 2
    low = 0.0 if not found else float(gammaincinv(found, tail))  # a chi-square, halved
    return low, float(gammaincinv(found + 1, 1 - tail))
