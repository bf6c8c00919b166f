"""Clocks: from a source's own time to the common axis, and how well that is known.

A source's clock is a list of pieces, one for each stretch over which it ran undisturbed (a reset, a
wall-clock step or a stop begins a new one). Within a piece
`common = native + offset + drift * native`, known within a band that is narrowest in the middle of
what tied it. Whoever fits clocks returns pieces; whoever needs common times asks
`ClockMap.common_ns`. Nothing else knows how the pieces came about.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

Int64s = npt.NDArray[np.int64]

# How a piece was found. "axis": this clock is the common axis; "declared": the user said so;
# "equal-values": events that carry equal values; "chosen": several offsets fit, and the user took
# this one; "wall-clock": both stamp by the date and time of day; "reset-silence": a board that
# starts anew is silent on its bus; "none": not aligned, its times mean nothing on the axis.
METHODS = ("axis", "declared", "equal-values", "chosen", "wall-clock", "reset-silence", "none")
NO_BAND = -1  # stands for the band of a time that means nothing on the axis


@dataclass(frozen=True, slots=True)
class ClockPiece:
    """One undisturbed stretch of one source's clock; times in ns."""

    source: str
    clock: str  # "capture", "firmware" or "host"
    from_ns: int  # common axis
    until_ns: int
    offset_ns: int
    drift_ppm: float
    band_ns: int | None  # half-width at its widest from from_ns to until_ns; None when not aligned
    anchors: int
    rejected: int
    method: str
    ambiguous: bool
    centre_ns: int = 0  # native time at which the band is narrowest
    least_band_ns: int = 0  # half-width there
    band_ppm: float = 0.0  # how fast it widens away from there
    rivals_ns: tuple[int, ...] = ()  # other offsets that fit nearly as well

    @property
    def is_aligned(self) -> bool:
        """Whether its times mean anything on the common axis."""
        return self.method != "none"

    def bands_ns(self, native_ns: Int64s) -> Int64s:
        """Half-width within which each time is known; `NO_BAND` when not aligned."""
        if self.band_ns is None:
            return np.full(len(native_ns), NO_BAND, np.int64)
        away = np.abs((native_ns - self.centre_ns).astype(np.float64))
        wider: Int64s = self.least_band_ns + np.ceil(self.band_ppm * 1e-6 * away).astype(np.int64)
        return wider


@dataclass(frozen=True, slots=True, eq=False)
class ClockMap:
    """A source's clock, whole: its pieces, and which piece each of its rows belongs to."""

    pieces: tuple[ClockPiece, ...]
    piece_of: Int64s | None = None  # [n] of each row, in the source's order; None: all in piece 0

    def common_ns(self, native_ns: Int64s, row: Int64s | None = None) -> Int64s:
        """Native times on the common axis.

        Args:
            native_ns: int64[n] on the source's own clock.
            row: int64[n] which rows of the source they are; all rows in order when None.

        Returns:
            int64[n], a copy. Exact to the ns where the drift is 0; else within 1 ns, for any
            |native * drift| below 2^53 ns (104 days).
        """
        return self._by_piece(native_ns, row, mapped_ns)

    def bands_ns(self, native_ns: Int64s, row: Int64s | None = None) -> Int64s:
        """Half-widths within which they are known, `NO_BAND` where not aligned; as `common_ns`."""
        return self._by_piece(native_ns, row, lambda t_ns, piece: piece.bands_ns(t_ns))

    def _by_piece(
        self, native_ns: Int64s, row: Int64s | None, of: Callable[[Int64s, ClockPiece], Int64s]
    ) -> Int64s:
        if len(self.pieces) == 1 or self.piece_of is None:
            return of(native_ns, self.pieces[0])
        piece_of = self.piece_of if row is None else self.piece_of[row]
        out = np.empty_like(native_ns)
        for k, piece in enumerate(self.pieces):
            inside = piece_of == k
            out[inside] = of(native_ns[inside], piece)
        return out

    def band_at(self, common_ns: int) -> int | None:
        """Half-width within which a moment of this source is known; None when it is not at all."""
        for piece in self.pieces:
            if piece.from_ns <= common_ns <= piece.until_ns and piece.band_ns is not None:
                native = np.array([common_ns - piece.offset_ns], np.int64)
                drifted = np.rint(native / (1 + piece.drift_ppm * 1e-6)).astype(np.int64)
                return int(piece.bands_ns(drifted)[0])
        return self.band_ns

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
        name: replace(clock, pieces=tuple(_in_order(clock.pieces, start_ns)))
        for name, clock in maps.items()
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


_COLUMNS: dict[str, pl.DataType] = {
    "source": pl.String(),
    "clock": pl.String(),
    "from_ns": pl.Int64(),
    "until_ns": pl.Int64(),
    "offset_ns": pl.Int64(),
    "drift_ppm": pl.Float64(),
    "band_ns": pl.Int64(),
    "anchors": pl.Int64(),
    "rejected": pl.Int64(),
    "method": pl.String(),
    "ambiguous": pl.Boolean(),
    "rivals_ns": pl.List(pl.Int64),
}


def clocks_frame(maps: list[ClockMap]) -> pl.DataFrame:
    """The `clocks` table: one row a source and piece; with the offsets of its rivals."""
    rows = [piece for clock in maps for piece in clock.pieces]
    columns = {name: [getattr(p, name) for p in rows] for name in _COLUMNS}
    columns["rivals_ns"] = [list(p.rivals_ns) for p in rows]
    return pl.DataFrame(columns, schema=_COLUMNS)


SPANS_OF_TIME = ("native_ns", "latency_ns", "width_ns", "period_ns")  # columns that are no moment


def on_axis(frame: pl.DataFrame, clock: ClockMap) -> pl.DataFrame:
    """A table in its source's order, its moments moved to the common axis; nulls stay.

    Its first column is its time; `band_ns` says how well that is known on the axis.
    """
    moments = [c for c in frame.columns if c.endswith("_ns") and c not in SPANS_OF_TIME]
    bands = clock.bands_ns(frame[moments[0]].fill_null(0).to_numpy())
    return frame.with_columns(
        *(
            pl.col(c).map_batches(lambda t: _moved(t, clock), return_dtype=pl.Int64)
            for c in moments
        ),
        band_ns=pl.Series(np.maximum(bands, 0)).set(pl.Series(bands == NO_BAND), None),
    )


def _moved(t_ns: pl.Series, clock: ClockMap) -> pl.Series:
    common = pl.Series(t_ns.name, clock.common_ns(t_ns.fill_null(0).to_numpy()))
    return common.set(t_ns.is_null(), None) if t_ns.null_count() else common
