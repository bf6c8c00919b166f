"""What of a run a source covers, in as many bins as there are columns to draw it in."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from console.trust.sheet import Severity

OUTSIDE, OBSERVED, DOUBTFUL, GAP = range(4)  # of one bin; the gravest that touches it stands

Span = tuple[int | None, int | None, Severity]  # of the trust sheet, ns; None: to the end


def coverage(
    covered: tuple[int, int] | None,
    spans: Iterable[Span],
    run: tuple[int, int],
    bins: int,
) -> npt.NDArray[np.uint8]:
    """Which bins of a run a source covers, and which of them are in doubt.

    Args:
        covered: its first and last event, ns on the common axis; None for a source that holds none.
        spans: rows of the trust sheet about it.
        run: begin and end of what is drawn.
        bins: how many; none for no room.

    Returns:
        uint8[bins]: OUTSIDE, OBSERVED, DOUBTFUL or GAP.
    """
    found = np.full(max(0, bins), OUTSIDE, np.uint8)
    if not len(found):
        return found
    if covered is not None:
        found[_inside(*covered, run, bins)] = OBSERVED
    for severity, kind in (("doubtful", DOUBTFUL), ("gap", GAP)):
        for begin, end, own in spans:
            if own == severity:
                first = run[0] if begin is None else begin
                last = run[1] if end is None else end
                found[_inside(first, last, run, bins)] = kind
    return found


def bin_of(t_ns: int, run: tuple[int, int], bins: int) -> int:
    """The bin a moment falls in, the nearest one outside the run."""
    length = max(1, run[1] - run[0])
    return max(0, min(bins - 1, (t_ns - run[0]) * bins // length))


def _inside(first: int, last: int, run: tuple[int, int], bins: int) -> slice:
    if last < run[0] or first > run[1]:
        return slice(0, 0)
    return slice(bin_of(first, run, bins), bin_of(last, run, bins) + 1)
