"""How improbable it is that lives which ended at random agree so well.

Of n memoryless lives with one mean, the longest is at most r times the shortest with probability

    p = prod over k = 1 .. n-1 of  k (r - 1) / (n + k (r - 1))

(For the shortest x the others lie in (x, r x] with probability (e^-x - e^-rx)^(n-1); integrating
n e^-x of that gives a B(a, n), a = n / (r - 1).) For two it is (r - 1) / (r + 1). Where the means
differ from life to life, as those of a count do when its rate was changed, agreement is less
probable still; so p stands for them too.

Where the observation ended before some lives did, those that failed had to do so before it: then
they may lie as close as those of a uniform law, which agree with probability (1 - 1 / r)^(n - 1)
and are the worst case of a law that falls and is cut off. (Given the longest, each other is within
the ratio with probability 1 - 1 / r.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SPREAD_TOLD_APART = 0.99  # confidence with which one spread must be smaller than another


def chance_agreement(lives: int, ratio: float, *, cut_off: bool = False) -> float:
    """Probability that so many memoryless lives lie within a ratio of each other.

    Args:
        lives: at least 1; one always agrees with itself.
        ratio: longest over shortest, at least 1.
        cut_off: whether there were others that had not ended when the observation did.
    """
    if math.isinf(ratio):
        return 1.0
    if cut_off:
        return float(max(1 - 1 / ratio, 0.0) ** (lives - 1))
    grown = max(ratio - 1, 0.0)
    return math.prod(k * grown / (lives + k * grown) for k in range(1, lives))


def upper_ratio(
    values: Sequence[float], steps: Sequence[float], exposed: Sequence[float] | None = None
) -> float:
    """The greatest ratio that values known from v to v + step may have; infinite for a 0.

    Where a part of each value went by before the life could end, values lie close whatever ends
    it. So they are compared by the part in which it could: 1 + (greatest - least) / least of that.

    Args:
        values: at the end.
        steps: by how much each may have grown until the true end.
        exposed: of each the part in which the life could end; None for all of it.
    """
    least = min(values if exposed is None else exposed)
    if least <= 0:
        return math.inf
    most = max(v + s for v, s in zip(values, steps, strict=True))
    return 1 + (most - min(values)) / least


def log_spread(values: Sequence[float], steps: Sequence[float]) -> float:
    """Standard deviation of the logarithms, not below what the steps alone leave open."""
    logs: Floats = np.log(np.array(values, np.float64))
    shares = np.array(steps, np.float64) / np.array(values, np.float64)
    open_part = float(np.sqrt(np.mean(np.square(shares)) / 12))  # of a uniform law
    return max(float(logs.std(ddof=1)), open_part)


def spread_needed(lives: int) -> float:
    """How many times wider one spread must be than another to be told apart: a root of F.

    The quantile of Fisher's F for n - 1 and n - 1 degrees of freedom; 63 for two lives, 10 for
    three, 5.4 for four.
    """
    from scipy.special import fdtri

    return float(math.sqrt(fdtri(lives - 1, lives - 1, SPREAD_TOLD_APART)))
