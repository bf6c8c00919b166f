"""How full a serial line was: printing faster than it can carry loses bytes or delays them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from console.trust.sheet import TrustRow
from decoders.prints.columns import Prints

BITS_OF_A_BYTE = 10  # 8N1: start, eight data, stop
FULL = 0.9  # from this share of its rate on a line is as good as full
_ENDING_BYTES = 1  # at least, after each line
_WINDOW_NS = 1_000_000_000
_BURST_NS = 100_000_000
_BAUDS = (
    1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200, 230400, 250000,
    460800, 500000, 921600, 1_000_000, 1_500_000, 2_000_000, 3_000_000,
)  # fmt: skip
_OFF = 0.025  # a baud rate further off is no baud rate: a UART takes 2 to 5 %


def load_row(
    source: str,
    rows: Prints,
    t_ns: npt.NDArray[np.int64],
    timed: npt.NDArray[np.bool_],
    baud: int | None,
) -> TrustRow | None:
    """A row when the line was as good as full for a second.

    Without a baud rate the fastest burst must run at a usual one; then the row is but a note.

    Args:
        source: of the log.
        rows: n lines.
        t_ns: int64[n] times on the common axis.
        timed: bool[n], whether the time means anything.
        baud: of the line, None when not known.
    """
    if baud is None and not rows.arrived.all():
        return None  # the firmware's stamps say when a line was printed, not when it went out
    if np.count_nonzero(timed) < 2:
        return None
    times = np.maximum.accumulate(t_ns[timed])
    size = rows.line_bytes[timed] + _ENDING_BYTES
    known = baud is not None
    if baud is None:
        baud = _baud_of(_busiest(times, size, _BURST_NS)[0])
    if baud is None:
        return None
    full = baud / BITS_OF_A_BYTE
    rate, at = _busiest(times, size, _WINDOW_NS)
    if rate < FULL * full:
        return None
    what = f"{rate:,.0f} bytes in a second at {baud:,} baud: what is printed waits or is lost"
    start = int(times[at])
    return TrustRow(
        source,
        start,
        start + _WINDOW_NS,
        "line-load",
        "doubtful" if known else "note",
        what if known else f"{what}; the rate is a guess",
        rate,
        FULL * full,
        "bytes/s",
    )


def _busiest(
    times: npt.NDArray[np.int64], size: npt.NDArray[np.int64], window_ns: int
) -> tuple[float, int]:
    """Bytes a second in the fullest window that begins with a line, and which line that is."""
    total = np.concatenate([[0], np.cumsum(size)])
    until = np.searchsorted(times, times + window_ns, side="left")
    inside = total[until] - total[:-1]
    at = int(inside.argmax())
    return float(inside[at]) * 1e9 / window_ns, at


def _baud_of(bytes_per_s: float) -> int | None:
    """The usual baud rate that a burst ran at."""
    for baud in _BAUDS:
        if abs(bytes_per_s * BITS_OF_A_BYTE / baud - 1) <= _OFF:
            return baud
    return None
