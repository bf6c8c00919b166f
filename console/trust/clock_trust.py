"""What a source's times cannot prove: not on the axis, on it in two ways, or known poorly."""

from __future__ import annotations

from collections.abc import Iterator

from console.timeline.clocks import ClockMap
from console.trust.sheet import TrustRow
from decoders.durations import in_words

WIDE_NS = 100_000_000  # a band wider than this says little of what came first


def clock_rows(clock: ClockMap) -> Iterator[TrustRow]:
    """The rows of one source's clock."""
    for k, piece in enumerate(clock.pieces):
        span = piece.from_ns, piece.until_ns
        if piece.method == "none":
            what = "not aligned: its times stand on no common axis"
            if len(clock.pieces) > 1:
                what = (
                    f"not aligned after restart {k}"
                    if k
                    else "not aligned before the first restart"
                )
            yield TrustRow(piece.source, None, None, "not-aligned", "doubtful", what)
            continue
        if piece.ambiguous:
            what = "another offset fits nearly as well: state one with --clock, or name a [[mark]]"
            yield TrustRow(piece.source, *span, "ambiguous", "doubtful", what)
        if piece.band_ns is not None and piece.band_ns > WIDE_NS:
            what = f"its times are known within {in_words(piece.band_ns)} only"
            yield TrustRow(
                piece.source,
                *span,
                "wide-band",
                "note",
                what,
                float(piece.band_ns),
                float(WIDE_NS),
                "ns",
            )
