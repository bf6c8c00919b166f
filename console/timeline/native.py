"""From the common axis back to a source's own clock."""

from __future__ import annotations

import numpy as np

from console.timeline.clocks import ClockMap, ClockPiece, mapped_ns


def piece_at(clock: ClockMap, common_ns: int) -> ClockPiece:
    """The piece of a clock a common time lies in; the first where it lies in none."""
    return next((p for p in clock.pieces if p.from_ns <= common_ns <= p.until_ns), clock.pieces[0])


def native_ns(clock: ClockMap, common_ns: int, *, last: bool = False) -> int:
    """A common time on a capture's own clock: `common_ns` of `ClockMap` undone, to the ns.

    A clock that runs fast has times that become one on the axis: then it is the first of them.

    Args:
        clock: the capture's.
        common_ns: a time on the axis.
        last: the last of those that become one.
    """
    piece = piece_at(clock, common_ns)
    apart, drift = common_ns - piece.offset_ns, piece.drift_ppm * 1e-6
    native = apart - round(apart * (drift / (1 + drift)))  # the sum in whole ns: no float holds it
    near = np.arange(native - 3, native + 4, dtype=np.int64)
    found = near[mapped_ns(near, piece) == common_ns]
    return int(found[-1 if last else 0]) if len(found) else native
