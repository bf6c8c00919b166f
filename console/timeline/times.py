"""Times in words: since the start of the run, to no more digits than the clock's band carries."""

from __future__ import annotations

from decoders.durations import UNITS_NS


def digits_for(band_ns: int | None) -> int:
    """How many digits of a second a band allows, at most 9; three where none is known."""
    if band_ns is None:
        return 3
    return max(0, min(9, 10 - len(str(max(band_ns, 1)))))


def since_start(t_ns: int, band_ns: int | None = None) -> str:
    """`mm:ss.fff` (or `h:mm:ss.fff`) from the run's start; the digits its band allows, at most ns.

    Args:
        t_ns: ns since the start of the run, negative before it.
        band_ns: half-width within which the time is known; None shows milliseconds, and
            microseconds within the first second: a short capture has nothing else.
    """
    is_early = band_ns is None and 0 < abs(t_ns) < UNITS_NS["s"]
    digits = 6 if is_early else digits_for(band_ns)
    unit = 10 ** (9 - digits)
    rounded = (abs(t_ns) + unit // 2) // unit * unit
    seconds, ns = divmod(rounded, UNITS_NS["s"])
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    text = f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes:02}:{seconds:02}"
    fraction = f".{ns:09}"[: digits + 1] if digits else ""
    return f"{'-' if t_ns < 0 else ''}{text}{fraction}"
