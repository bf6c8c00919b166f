"""Whether pairs of events are more, and closer together, than chance would have them.

If two kinds of event had nothing to do with each other, an event of one would find one of the other
within a stretch of delays with probability p, the stretch's length times their rate (times the
chance of an equal value). The probability of as many pairs among n by chance is at most exp(-n D),
where D is the relative entropy of the share found to p (Chernoff 1952; Hoeffding 1963, theorem 1).
It must be below `CHANCE`, which is small enough for the many pairs of kinds that are tried.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]

CHANCE = 1e-6
FINEST_NS = 1_000  # no delay is told apart from another more finely than this


def crowd(delays: Int64s, count: int) -> tuple[int, int]:
    """The shortest stretch that holds so many of the delays."""
    ordered = np.sort(delays)
    widths = ordered[count - 1 :] - ordered[: len(ordered) - count + 1]
    k = int(np.argmin(widths))
    return int(ordered[k]), int(ordered[k + count - 1])


def beyond_chance(found: int, of: int, by_chance: float) -> bool:
    """Whether `found` pairs among `of` are more than pairs met with that probability give."""
    share, p = found / of, min(by_chance, 1.0)
    if share <= p:
        return False
    entropy = share * math.log(share / p)
    if share < 1:
        entropy += (1 - share) * math.log((1 - share) / (1 - p))
    return -of * entropy < math.log(CHANCE)
