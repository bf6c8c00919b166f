"""How a source's times came onto the axis, in words that every report and screen uses."""

from __future__ import annotations

from console.timeline.clocks import ClockMap, ClockPiece
from console.timeline.times import digits_for
from decoders.durations import UNITS_NS, in_words

METHOD_WORDS = {
    "axis": "the axis",
    "declared": "offset declared",
    "equal-values": "equal values",
    "wall-clock": "by date and time",
    "reset-silence": "by a silence of the bus",
    "chosen": "offset chosen by hand",
    "none": "not aligned",
}


def clock_words(clock: ClockMap | None) -> str:
    """How a source's clock lies on the axis; of a log that restarted, what of it does not."""
    if clock is None:
        return "the axis"
    tied = [piece for piece in clock.pieces if piece.is_aligned]
    if not tied:
        return "of its own clock: not aligned, no value ties it to another source"
    off = len(clock.pieces) - len(tied)
    rest = f"; {off} of {len(clock.pieces)} stretches between restarts not aligned" if off else ""
    if tied[0].method == "axis":
        return f"the axis{rest}"
    return f"{', '.join(_known(clock, tied))}{rest}"


def _known(clock: ClockMap, tied: list[ClockPiece]) -> list[str]:
    known = [f"within {in_words(clock.band_ns)}"] if clock.band_ns else []
    if tied[0].method == "equal-values":
        known.append(f"{sum(p.anchors for p in tied):,} equal values")
        known.append(f"{tied[0].drift_ppm:+.1f} ppm")
    else:
        known.append(METHOD_WORDS[tied[0].method])
    if len(tied) > 1:
        known.append(f"in {len(tied)} pieces")
    if any(piece.ambiguous for piece in tied):
        known.append("ambiguous")
    return known


def offset_words(offset_ns: int, band_ns: int | None = None) -> str:
    """An offset between two clocks: `-59:59.5547`, or with days; the digits its band allows.

    Args:
        offset_ns: ns, of any sign and size.
        band_ns: half-width within which it is known; None shows milliseconds.
    """
    digits = digits_for(band_ns)
    unit = 10 ** (9 - digits)
    seconds, ns = divmod((abs(offset_ns) + unit // 2) // unit * unit, UNITS_NS["s"])
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    fraction = f".{ns:09}"[: digits + 1] if digits else ""
    sign = "-" if offset_ns < 0 else "+"
    text = f"{minutes:02}:{seconds:02}{fraction}"
    if days:
        return f"{sign}{days:,} d {hours:02}:{text}"
    return f"{sign}{hours}:{text}" if hours else f"{sign}{text}"
