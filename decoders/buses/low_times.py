"""How long SCL is usually low in a transaction, and which lows were longer.

UM10204 section 3.1.9: a device that needs time holds SCL low after the acknowledge of a byte, or
lengthens each low. So the lows within bytes tell what is usual, and their median passes over a few
that were lengthened; where each low is lengthened, nothing shows. No source says how much longer
than usual a low must be to be called stretched; half as long again is a rule of first approach,
more than the jitter of a controller's clock and the grain of a capture of four samples a clock.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]

_FEWEST_LOWS = 3  # a first approach: of two, neither is the usual one


def usual_low_ns(
    low_ns: Int64s, transaction: npt.NDArray[np.int32], slot: npt.NDArray[np.int8]
) -> Int64s:
    """The usual low time of each transaction.

    Args:
        low_ns: int64[r] how long SCL was low before each clock.
        transaction: int32[r] the clock is in, from 0; -1 for none.
        slot: int8[r] of the clock in its byte; -1 when that is not known.

    Returns:
        int64[t] for transactions 0 .. t - 1; 0 for those with too few lows to tell.
    """
    count = int(transaction.max(initial=-1)) + 1
    within = (transaction >= 0) & (slot != 0) & (slot != 8)
    low_ns, transaction = low_ns[within], transaction[within]
    order = np.lexsort((low_ns, transaction))
    borders = transaction[order].searchsorted(np.arange(count + 1))
    sizes = np.diff(borders)
    usual = np.zeros(count, np.int64)
    enough = sizes >= _FEWEST_LOWS
    usual[enough] = low_ns[order][(borders[:-1] + (sizes - 1) // 2)[enough]]
    return usual


def stretches_ns(low_ns: Int64s, usual_ns: Int64s) -> Int64s:
    """By how much lows were longer than usual; 0 where they were not, or nothing tells.

    Args:
        low_ns: int64[n].
        usual_ns: int64[n] the usual low time beside each; 0 when not known.
    """
    more = low_ns - usual_ns
    return np.where((usual_ns > 0) & (more > usual_ns // 2), more, 0)
