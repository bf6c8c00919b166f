"""Which of two events came first, where their clocks are known well enough to say."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]

BEFORE, CANNOT_SAY, AFTER = -1, 0, 1
WORDS = {BEFORE: "before", CANNOT_SAY: "cannot say", AFTER: "after"}

_WIDEST_NS = 1 << 61  # two of these still add up in int64; 73 years


def is_order_known(a_ns: int, a_band_ns: int, b_ns: int, b_band_ns: int) -> bool:
    """Whether two events of different clocks have a known order; `order` for two single events."""
    if a_band_ns < 0 or b_band_ns < 0:
        return False
    return abs(a_ns - b_ns) > min(a_band_ns, _WIDEST_NS) + min(b_band_ns, _WIDEST_NS)


def order(
    a_ns: Int64s | int,
    a_band_ns: Int64s | int,
    b_ns: Int64s | int,
    b_band_ns: Int64s | int,
    *,
    same_clock: npt.NDArray[np.bool_] | bool = False,
) -> npt.NDArray[np.int8]:
    """Whether a came before or after b, event by event; arguments broadcast.

    Args:
        a_ns: int64, times on the common axis (or on one clock, where `same_clock`).
        a_band_ns: int64, half-width within which each is known; negative when it is not at all.
        b_ns: as `a_ns`.
        b_band_ns: as `a_band_ns`.
        same_clock: bool, whether both were stamped by one undisturbed clock: its own order counts
            then, whatever the bands.

    Returns:
        int8: BEFORE, AFTER, or CANNOT_SAY where the bands touch or the stamps are equal.
    """
    a, b = np.asarray(a_ns, np.int64), np.asarray(b_ns, np.int64)
    a_band, b_band = np.asarray(a_band_ns, np.int64), np.asarray(b_band_ns, np.int64)
    reach = np.minimum(a_band, _WIDEST_NS) + np.minimum(b_band, _WIDEST_NS)
    unknown = (a_band < 0) | (b_band < 0)
    apart = a - b
    known = same_clock | ~(unknown | (np.abs(apart) <= reach))
    return np.where(known, np.sign(apart), CANNOT_SAY).astype(np.int8)
