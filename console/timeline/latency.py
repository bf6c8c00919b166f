"""How long an effect took, in words no better than it is known."""

from __future__ import annotations

from decoders.durations import in_words


def latency_words(latency_ns: int, band_ns: int, plus_minus: str = "±") -> str:
    """How long an effect took, no better than it is known: `1.28 ms`, `13 ms ±6 ms`, `< 7 ms`.

    Args:
        latency_ns: from cause to effect; below 0 only within the band.
        band_ns: half-width within which that is known.
        plus_minus: how that sign is written.
    """
    if band_ns <= 0:
        return in_words(latency_ns)
    if latency_ns <= band_ns:  # it may have taken no time at all
        return f"< {in_words(_rounded_up(max(latency_ns + band_ns, 1)))}"
    unit = 10 ** (len(str(band_ns)) - 1)
    known = in_words((latency_ns + unit // 2) // unit * unit)
    return f"{known} {plus_minus}{in_words(_rounded_up(band_ns))}"


def _rounded_up(ns: int) -> int:
    """To one digit; a border is never told too narrow."""
    unit: int = 10 ** (len(str(ns)) - 1)
    return -(-ns // unit) * unit
