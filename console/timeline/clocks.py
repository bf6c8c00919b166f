"""Clocks: from a source's own time to the common axis, and how well that is known.

A source's clock is a list of pieces, one for each stretch over which it ran undisturbed (a reset,
a wall-clock step or a stop begins a new one). Within a piece
`common = native + offset + drift * native`. Whoever fits clocks returns pieces; whoever needs
common times asks `ClockMap.common_ns`. Nothing else knows how the pieces came about, so a better
fit replaces `align.py` alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

Int64s = npt.NDArray[np.int64]

# How a piece was found. "axis": this clock is the common axis; "declared": the user said so;
# "equal-values": events that carry equal values; "wall-clock": both stamp by the date and time of
# day; "none": not aligned, its times mean nothing on the axis.
METHODS = ("axis", "declared", "equal-values", "wall-clock", "none")


@dataclass(frozen=True, slots=True)
class ClockPiece:
    """One undisturbed stretch of one source's clock; times in ns."""

    source: str
    clock: str  # "capture", "firmware" or "host"
    epoch: int  # 0, 1, ..: counts the source's resets
    from_ns: int  # common axis
    until_ns: int
    offset_ns: int
    drift_ppm: float
    band_ns: int | None  # half-width within which its times are known; None when not aligned
    anchors: int
    rejected: int
    method: str
    ambiguous: bool

    @property
    def is_aligned(self) -> bool:
        """Whether its times mean anything on the common axis."""
        return self.method != "none"


@dataclass(frozen=True, slots=True)
class ClockMap:
    """A source's clock, whole: pieces by epoch, epoch k at index k."""

    pieces: tuple[ClockPiece, ...]

    def common_ns(self, native_ns: Int64s, epoch: npt.NDArray[np.integer] | None = None) -> Int64s:
        """Native times on the common axis.

        Args:
            native_ns: int64[n] on the source's own clock.
            epoch: integer[n], which piece each belongs to; all in piece 0 when None.

        Returns:
            int64[n], a copy. Exact to the ns where the drift is 0; else within 1 ns, for any
            |native * drift| below 2^53 ns (104 days).
        """
        if len(self.pieces) == 1 or epoch is None:
            return mapped_ns(native_ns, self.pieces[0])
        common = np.empty_like(native_ns)
        for k, piece in enumerate(self.pieces):
            inside = epoch == k
            common[inside] = mapped_ns(native_ns[inside], piece)
        return common

    @property
    def is_aligned(self) -> bool:
        """Whether every piece is on the axis."""
        return all(piece.is_aligned for piece in self.pieces)

    @property
    def has_place(self) -> bool:
        """Whether any piece is on the axis; without one, its times say nothing beside others."""
        return any(piece.is_aligned for piece in self.pieces)

    @property
    def band_ns(self) -> int | None:
        """The widest band of its pieces; None when any is not aligned."""
        bands = [piece.band_ns for piece in self.pieces]
        known = [band for band in bands if band is not None]
        return max(known) if len(known) == len(bands) else None


def beside_axis(maps: Mapping[str, ClockMap]) -> dict[str, ClockMap]:
    """The maps, with what is not aligned moved to where it can be shown beside the axis.

    Its times still mean nothing on the axis. But a source without any tie begins with the axis, so
    its times count from its own start; and the pieces of one source stand in their own order, each
    right behind the one before it: a log's lines after a restart never mix with those before.
    """
    starts = [p.from_ns for clock in maps.values() for p in clock.pieces if p.is_aligned]
    start_ns = min(starts, default=0)
    return {
        name: ClockMap(tuple(_in_order(clock.pieces, start_ns))) for name, clock in maps.items()
    }


def _in_order(pieces: Sequence[ClockPiece], start_ns: int) -> list[ClockPiece]:
    """Pieces of one source; those not aligned follow on those that are, or on the start."""
    tied = [k for k, piece in enumerate(pieces) if piece.is_aligned]
    first = tied[0] if tied else 0
    placed = list(pieces)
    for k in range(first - 1, -1, -1):
        placed[k] = _moved_by(pieces[k], placed[k + 1].from_ns - 1 - pieces[k].until_ns)
    if not tied:
        placed[0] = _moved_by(pieces[0], start_ns - pieces[0].from_ns)
    for k in range(first + 1, len(pieces)):
        if not pieces[k].is_aligned:
            placed[k] = _moved_by(pieces[k], placed[k - 1].until_ns + 1 - pieces[k].from_ns)
    return placed


def _moved_by(piece: ClockPiece, ns: int) -> ClockPiece:
    return replace(
        piece,
        from_ns=piece.from_ns + ns,
        until_ns=piece.until_ns + ns,
        offset_ns=piece.offset_ns + ns,
    )


def mapped_ns(native_ns: Int64s, piece: ClockPiece) -> Int64s:
    """`native + offset + drift * native` with the sum in int64, so that no ns is lost to floats."""
    common = native_ns + np.int64(piece.offset_ns)
    if piece.drift_ppm:
        common += np.rint(native_ns * (piece.drift_ppm * 1e-6)).astype(np.int64)
    return common


def clocks_frame(maps: list[ClockMap]) -> pl.DataFrame:
    """The `clocks` table: one row a source and piece."""
    rows = [piece for clock in maps for piece in clock.pieces]
    return pl.DataFrame(
        {
            "source": pl.Series([p.source for p in rows], dtype=pl.String),
            "clock": pl.Series([p.clock for p in rows], dtype=pl.String),
            "from_ns": pl.Series([p.from_ns for p in rows], dtype=pl.Int64),
            "until_ns": pl.Series([p.until_ns for p in rows], dtype=pl.Int64),
            "offset_ns": pl.Series([p.offset_ns for p in rows], dtype=pl.Int64),
            "drift_ppm": pl.Series([p.drift_ppm for p in rows], dtype=pl.Float64),
            "band_ns": pl.Series([p.band_ns for p in rows], dtype=pl.Int64),
            "anchors": pl.Series([p.anchors for p in rows], dtype=pl.Int64),
            "rejected": pl.Series([p.rejected for p in rows], dtype=pl.Int64),
            "method": pl.Series([p.method for p in rows], dtype=pl.String),
            "ambiguous": pl.Series([p.ambiguous for p in rows], dtype=pl.Boolean),
        }
    )


SPANS_OF_TIME = ("native_ns", "latency_ns", "width_ns", "period_ns")  # columns that are no moment


def on_axis(frame: pl.DataFrame, clock: ClockMap) -> pl.DataFrame:
    """A table of a source with one piece, its moments moved to the common axis; nulls stay."""
    moments = [c for c in frame.columns if c.endswith("_ns") and c not in SPANS_OF_TIME]
    return frame.with_columns(
        pl.col(c).map_batches(lambda t: _moved(t, clock), return_dtype=pl.Int64) for c in moments
    )


def _moved(t_ns: pl.Series, clock: ClockMap) -> pl.Series:
    common = pl.Series(t_ns.name, clock.common_ns(t_ns.fill_null(0).to_numpy()))
    return common.set(t_ns.is_null(), None) if t_ns.null_count() else common
