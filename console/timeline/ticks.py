"""The tick of a coarse stamp, from the stamps alone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

LEAST_TICK_NS = 1_000  # what is finer moves nothing
MOST_TICK_NS = (
    20_000_000  # serial adapters hand over every 16 ms, system timers tick every 10 to 16
)
SAMPLE = 1000  # stamps whose common measure is taken before it is tried on all


def tick(native_ns: npt.NDArray[np.float64]) -> tuple[int, bool]:
    """The coarsest tick that all stamps lie on, and whether it is seen or guessed.

    Stamps that all lie on multiples of something longer than any tick do so because their events
    are periodic and their clock is coarse; how coarse then does not show, and the coarsest tick
    there is must be guessed.

    Args:
        native_ns: float64[n], whole numbers of ns from any base, below 2^53.

    Returns:
        Tick in ns, 0 when there is none of 1 us or more, and False for a guess.
    """
    if len(native_ns) < 3:
        return 0, False
    away = native_ns - native_ns[0]
    common = int(np.gcd.reduce(away[:: max(len(away) // SAMPLE, 1)].astype(np.int64)))
    if common < LEAST_TICK_NS or np.mod(away, common).any():
        return 0, False
    return (common, True) if common <= MOST_TICK_NS else (MOST_TICK_NS, False)
