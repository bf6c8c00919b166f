"""Anchors made up, few or many."""

from __future__ import annotations

import numpy as np

from console.timeline.alignment.anchors import Anchors, Reason, Shared
from console.timeline.clocks import ClockPiece

MS, S = 10**6, 10**9


def anchors_of(
    reasons: list[Reason],
    *,
    source: str = "log",
    name: str = "poll",
    residuals_ns: list[int] | None = None,
) -> Anchors:
    """One anchor a second, each 1 ms late; they stand in the table the other way round."""
    n = len(reasons)
    t_ns = np.arange(n, dtype=np.int64)[::-1] * S
    away = np.full(n, -MS, np.int64) if residuals_ns is None else np.array(residuals_ns, np.int64)
    return Anchors(
        source=source,
        shared=(Shared(name, "wire", "sequence", "counter"),),
        value=np.zeros(n, np.int32),
        own_row=np.arange(n, dtype=np.int64),
        other_row=np.full(n, -1, np.int64),
        native_ns=t_ns - away,
        common_ns=t_ns,
        residual_ns=away,
        side=np.ones(n, np.int8),
        reason=np.array(reasons, np.uint8),
        piece=np.zeros(n, np.int32),
    )


def piece_of(
    source: str = "log", *, rivals_ns: tuple[int, ...] = (), until_s: int = 10
) -> ClockPiece:
    """A piece of a clock, known within 2 ms and 3 ms at its ends."""
    return ClockPiece(
        source=source,
        clock="firmware",
        from_ns=0,
        until_ns=until_s * S,
        offset_ns=0,
        drift_ppm=0.0,
        band_ns=3 * MS,
        anchors=3,
        rejected=1,
        method="equal-values",
        ambiguous=bool(rivals_ns),
        centre_ns=until_s * S // 2,
        least_band_ns=2 * MS,
        band_ppm=MS * 1e6 / (until_s * S / 2),
        rivals_ns=rivals_ns,
    )
