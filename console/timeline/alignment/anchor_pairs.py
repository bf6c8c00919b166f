"""Anchors of two clocks, and what a fit says of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]

AFTER, BEFORE, SAME = 1, -1, 0  # sides of an anchor


@dataclass(frozen=True, slots=True, eq=False)
class AnchorPairs:
    """Pairs of events that belong together, n of them; times in ns."""

    native_ns: Int64s  # [n] on the clock to be mapped
    common_ns: Int64s  # [n] the other event, on the common axis
    # [n] +1: the mapped event comes at or after the common one (a print after the wire); -1: at or
    # before it (a command before the print that confirms it); 0: both are one moment.
    side: npt.NDArray[np.int8]
    slack_ns: Int64s  # [n] known uncertainty of the pair itself, at least 0: a bit time, a sample
    # period, half a stamp's last digit, the band of the clock the common time came from
    accepted: npt.NDArray[np.bool_] | None = None  # [n] to be kept wherever that is possible

    @classmethod
    def of(cls, native_ns: Int64s, common_ns: Int64s, side: int, slack_ns: int = 0) -> AnchorPairs:
        """Anchors of one side and slack."""
        n = len(native_ns)
        sides, slacks = np.full(n, side, np.int8), np.full(n, slack_ns, np.int64)
        return cls(native_ns, common_ns, sides, slacks)

    def __len__(self) -> int:
        return len(self.native_ns)

    def taken(self, at: npt.NDArray[np.integer] | npt.NDArray[np.bool_]) -> AnchorPairs:
        """The anchors at indices or under a mask, as a copy."""
        accepted = None if self.accepted is None else self.accepted[at]
        return AnchorPairs(
            self.native_ns[at], self.common_ns[at], self.side[at], self.slack_ns[at], accepted
        )


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """`common = native + offset + drift * native`, and how well that is known.

    The half-width at native time t is `band_ns + band_ppm * 1e-6 * |t - centre_ns|`. It covers the
    anchors' slack, the delays that no anchor happened to be short of, and the drift that the span
    leaves open. It does not cover a delay that every anchor of one side has: see `fitting.fit`.
    """

    offset_ns: int
    drift: float
    centre_ns: int  # native time where the band is narrowest
    band_ns: int
    band_ppm: float
    kept: npt.NDArray[np.bool_]  # [n] which anchors it rests on; the others are wrong or very late

    @property
    def anchors(self) -> int:
        """How many anchors it rests on."""
        return int(self.kept.sum())

    def common_ns(self, native_ns: Int64s) -> Int64s:
        """Native times on the common axis: int64, a copy."""
        drifted = np.rint(native_ns * self.drift).astype(np.int64)
        common: Int64s = native_ns + np.int64(self.offset_ns) + drifted
        return common

    def band_at(self, native_ns: Int64s) -> Int64s:
        """Half-width at native times: int64, rounded up."""
        away = np.abs(native_ns - np.int64(self.centre_ns)).astype(np.float64)
        band: Int64s = self.band_ns + np.ceil(away * (self.band_ppm * 1e-6)).astype(np.int64)
        return band

    def residual_ns(self, native_ns: Int64s, common_ns: Int64s) -> Int64s:
        """How much later than the fit says each common time is: int64."""
        residual: Int64s = common_ns - self.common_ns(native_ns)
        return residual
