"""Anchors in words: why one counts or does not, and what changed with a decision."""

from __future__ import annotations

from console.timeline.alignment.anchors import Reason
from console.timeline.clocks import ClockPiece
from decoders.durations import in_words

REASON_WORDS: dict[Reason, str] = {
    Reason.KEPT: "kept",
    Reason.ACCEPTED: "kept by hand",
    Reason.ASTRAY: "by chance",
    Reason.OUTLIER: "rejected",
    Reason.UNFITTED: "too few to fit",
    Reason.REJECTED: "rejected by hand",
    Reason.IMPOSSIBLE: "cannot be kept",
}
REASON_MEANS: dict[Reason, str] = {
    Reason.KEPT: "the clock rests on it",
    Reason.ACCEPTED: "the clock rests on it because it was accepted by hand",
    Reason.ASTRAY: "far from where the pairs of its value crowd: they were equal by chance",
    Reason.OUTLIER: "in the crowd, but earlier than its side allows, or much later than the others",
    Reason.UNFITTED: "its stretch has too few anchors to fit a clock to",
    Reason.REJECTED: "rejected by hand",
    Reason.IMPOSSIBLE: "accepted by hand, but no clock that the others allow goes by it",
}


def side_words(side: int, other: str) -> str:
    """Whether an event follows the other source's, goes before it, or is the same moment."""
    return {1: f"follows {other}", -1: f"goes before {other}"}.get(side, f"one moment with {other}")


def signed_words(ns: int) -> str:
    """A length of time with its sign: `+1.84 ms`, `-720 ns`."""
    return f"{'-' if ns < 0 else '+'}{in_words(abs(ns))}"


def change_words(before: ClockPiece, after: ClockPiece) -> str:
    """What another alignment made of a piece, in one line; "" when it is as it was.

    Args:
        before: a piece of a source's clock.
        after: the piece that lies in its place now.
    """
    parts = []
    moved_ns = _middle_ns(after, before) - _middle_ns(before, before)
    if moved_ns:
        parts.append(f"offset {signed_words(moved_ns)}")
    if before.band_ns != after.band_ns:
        parts.append(f"band {_band(before)} to {_band(after)}")
    if abs(after.drift_ppm - before.drift_ppm) >= 0.05:
        parts.append(f"drift {before.drift_ppm:+.1f} to {after.drift_ppm:+.1f} ppm")
    if (before.anchors, before.rejected) != (after.anchors, after.rejected):
        parts.append(f"anchors {before.anchors:,} to {after.anchors:,}")
    if before.method != after.method:
        parts.append(f"{before.method} to {after.method}")
    return ", ".join(parts)


def _middle_ns(piece: ClockPiece, of: ClockPiece) -> int:
    """How far a piece moves the middle of another; offsets at 0 may be half a century away."""
    return piece.offset_ns + round(of.centre_ns * (piece.drift_ppm * 1e-6))


def _band(piece: ClockPiece) -> str:
    return "not known" if piece.band_ns is None else in_words(piece.band_ns)
