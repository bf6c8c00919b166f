"""Sources that begin after the run or end before it: nothing was observed there."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from console.trust.sheet import TrustRow
from decoders.durations import in_words

_FEWEST_EVENTS = 8
_TIMES_LONGEST = 3  # a silence at an end must be so much longer than any in between
_LEAST_NS = 1_000_000_000
_CAPTURE_LEAST_NS = 100_000_000  # a capture says exactly when it ends


def ends_of_events(
    source: str, t_ns: npt.NDArray[np.int64], start_ns: int, end_ns: int
) -> Iterator[TrustRow]:
    """Long silences before the first and after the last event of a source.

    Whether nothing was said there or nothing recorded cannot be told.

    Args:
        source: its name.
        t_ns: int64[n] times of its events on the common axis, in any order.
        start_ns: when the run began.
        end_ns: when it ended.
    """
    if len(t_ns) < _FEWEST_EVENTS:
        return
    times = np.sort(t_ns)
    limit = max(_TIMES_LONGEST * int(np.diff(times).max()), _LEAST_NS)
    yield from ends(source, int(times[0]), int(times[-1]), start_ns, end_ns, limit)


def ends_of_capture(
    source: str, first_ns: int, last_ns: int, start_ns: int, end_ns: int, band_ns: int
) -> Iterator[TrustRow]:
    """What of the run lies before and after a capture; all times on the common axis."""
    limit = max(_CAPTURE_LEAST_NS, 2 * band_ns)
    yield from ends(source, first_ns, last_ns, start_ns, end_ns, limit)


def ends(
    source: str, first_ns: int, last_ns: int, start_ns: int, end_ns: int, limit_ns: int
) -> Iterator[TrustRow]:
    """Rows for what is longer than the limit."""
    if first_ns - start_ns > limit_ns:
        what = f"nothing in it for the first {in_words(first_ns - start_ns)} of the run"
        yield _row(source, start_ns, first_ns, "begins-late", what, limit_ns)
    if end_ns - last_ns > limit_ns:
        what = f"nothing in it for the last {in_words(end_ns - last_ns)} of the run"
        yield _row(source, last_ns, end_ns, "ends-early", what, limit_ns)


def _row(source: str, from_ns: int, until_ns: int, kind: str, what: str, limit_ns: int) -> TrustRow:
    length = (until_ns - from_ns) / 1e9
    return TrustRow(source, from_ns, until_ns, kind, "gap", what, length, limit_ns / 1e9, "s")
