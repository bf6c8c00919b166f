"""The time between two moments, and within what it is known.

Two moments of one undisturbed stretch of one clock share its offset: between them only its drift is
in doubt, and the last digit of its stamps. Any others are each known within their own band, and
the bands add up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from console.timeline.clocks import NO_BAND, ClockMap, ClockPiece
from console.timeline.order import CANNOT_SAY, order
from console.timeline.times import since_start
from decoders.durations import UNITS_NS

_LONG_NS = 120 * UNITS_NS["s"]  # from here on a difference is said in minutes and seconds


@dataclass(frozen=True, slots=True)
class Difference:
    """From a to b, in ns."""

    value_ns: int  # b - a
    band_ns: int  # half-width; NO_BAND where it is not known at all
    order: int  # of a to b: BEFORE, CANNOT_SAY or AFTER


def difference(
    a_ns: int, a_band_ns: int, b_ns: int, b_band_ns: int, *, same: ClockPiece | None = None,
    resolution_ns: int = 1,
) -> Difference:  # fmt: skip
    """The time from a to b.

    Args:
        a_ns: common axis.
        a_band_ns: half-width within which it is known; negative when not at all.
        b_ns: common axis.
        b_band_ns: as `a_band_ns`.
        same: the undisturbed stretch of one clock that stamped both, where one did.
        resolution_ns: the last digit of that clock's stamps, or its samples.
    """
    value_ns = b_ns - a_ns
    came = int(order(a_ns, a_band_ns, b_ns, b_band_ns, same_clock=same is not None))
    if same is not None:
        drifted_ns = math.ceil(same.band_ppm * 1e-6 * abs(value_ns))
        return Difference(value_ns, drifted_ns + resolution_ns, came)
    if a_band_ns < 0 or b_band_ns < 0:
        return Difference(value_ns, NO_BAND, CANNOT_SAY)
    return Difference(value_ns, a_band_ns + b_band_ns, came)


def shared_piece(clock: ClockMap, a_ns: int, b_ns: int) -> ClockPiece | None:
    """The piece of a clock that both moments lie in; None where there is none or it is no use."""
    for piece in clock.pieces:
        inside = [piece.from_ns <= t_ns <= piece.until_ns for t_ns in (a_ns, b_ns)]
        if all(inside):
            return piece
    return None


def difference_words(found: Difference, *, plus_minus: str = "±") -> str:
    """`1.279 ms ± 0.010 ms`, to the digits the band allows; or that the order is not known.

    The half-width has at most two digits that count and is rounded up, the value is rounded to its
    last digit (JCGM 100:2008 section 7.2.6).
    """
    if found.band_ns < 0:
        return "order not known: no common clock"
    band_ns = _two_digits(found.band_ns)
    if found.order == CANNOT_SAY and found.value_ns:
        return f"order not known, {_said(abs(found.value_ns), band_ns, plus_minus)}"
    return _said(found.value_ns, band_ns, plus_minus)


def _two_digits(band_ns: int) -> int:
    """Rounded up to two digits that count."""
    unit = int(10 ** max(0, len(str(band_ns)) - 2))
    return -(-band_ns // unit) * unit


def _said(value_ns: int, band_ns: int, plus_minus: str) -> str:
    """A value and its half-width in the unit of the larger of them."""
    size = max(abs(value_ns), band_ns)
    unit = next((u for u in ("s", "ms", "us") if size >= UNITS_NS[u]), "ns")
    if abs(value_ns) >= _LONG_NS:
        sign = "-" if value_ns < 0 else ""
        value = sign + since_start(abs(value_ns), max(band_ns // 10, 1))
        if not band_ns:
            return value
        return f"{value} {plus_minus} {_in_unit(band_ns, 's', _decimals(band_ns, 's'))} s"
    decimals = _decimals(band_ns, unit)
    value = _in_unit(value_ns, unit, decimals)
    if not band_ns:
        return f"{value} {unit}"
    return f"{value} {unit} {plus_minus} {_in_unit(band_ns, unit, decimals)} {unit}"


def _decimals(band_ns: int, unit: str) -> int:
    """Digits behind the point that the half-width's last digit that counts stands at."""
    last_ns = 10 ** max(0, len(str(band_ns)) - 2)
    whole = len(str(UNITS_NS[unit])) - 1  # ns a unit, as a power of ten
    return max(0, whole - (len(str(last_ns)) - 1))


def _in_unit(ns: int, unit: str, decimals: int) -> str:
    """Rounded half up in whole numbers: no float loses a digit."""
    step = UNITS_NS[unit] // 10**decimals
    steps = (abs(ns) + step // 2) // step
    whole, rest = divmod(steps, 10**decimals)
    fraction = f".{rest:0{decimals}}" if decimals else ""
    return f"{'-' if ns < 0 and steps else ''}{whole:,}{fraction}"
