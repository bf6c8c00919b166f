"""Exact times from decimal digits: integers all the way, never a float.

A number is kept as digits and a power of ten. Nanoseconds beyond the point are rounded to the
nearest, halves away from zero; whoever calls is told so that it can be said.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from fractions import Fraction

INT64_MAX = 2**63 - 1
_LONGEST = 64  # digits and powers of ten beyond this are no instrument's

# The two micro signs are U+00B5 and U+03BC.
UNIT_POWERS = {"s": 9, "ms": 6, "us": 3, "\u00b5s": 3, "\u03bcs": 3, "ns": 0, "ps": -3}
UNIT_WORDS = {
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "msec": "ms",
    "millisecond": "ms",
    "milliseconds": "ms",
    "usec": "us",
    "microsecond": "us",
    "microseconds": "us",
    "nsec": "ns",
    "nanosecond": "ns",
    "nanoseconds": "ns",
    "picoseconds": "ps",
}

DECIMAL = re.compile(r"([+-]?)([0-9]*)(?:[.,]([0-9]*))?(?:[eE]([+-]?[0-9]{1,3}))?")
CLOCK = re.compile(r"(-?)([0-9]{1,4}):([0-5][0-9]):([0-5][0-9])(?:[.,]([0-9]+))?")
DATE = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[T ]([0-9]{2}):([0-9]{2}):([0-9]{2})(?:[.,]([0-9]+))?"
    r" ?(Z|z|[+-][0-9]{2}(?::?[0-9]{2})?)?"
)
_EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)  # noqa: UP017 - same on every version


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """Where the time of a row stands and how it is written."""

    index: int | None  # cell of a row; None: the row number is the time
    kind: str  # "decimal", "clock" (hh:mm:ss), "date" (ISO 8601), "sample", "row"
    unit_power: int = 9  # decimal: one unit is 10**unit_power ns
    period_ns: Fraction = Fraction(1)  # sample and row: ns a sample


def unit_of(word: str) -> str | None:
    """The unit a word means (s, ms, us, ns, ps), or None; case counts only for the prefix."""
    word = word.strip().strip(".")
    plain = UNIT_WORDS.get(word.lower(), word)
    if plain in UNIT_POWERS:
        return plain.replace("\u00b5", "u").replace("\u03bc", "u")
    return {"S": "s", "MS": None, "US": "us", "NS": "ns", "Ms": None}.get(plain)


def decimal_of(cell: str) -> tuple[int, int] | None:
    """Digits and power of ten of a number with point or comma: value = digits * 10**power."""
    match = DECIMAL.fullmatch(cell)
    if match is None:
        return None
    sign, whole, fraction, exponent = match.groups()
    digits = whole + (fraction or "")
    power = int(exponent or 0)
    if not digits or len(digits) > _LONGEST or abs(power) > _LONGEST:
        return None
    value = int(digits)
    return (-value if sign == "-" else value), power - len(fraction or "")


def fraction_of(cell: str) -> Fraction | None:
    """The exact value of a number with point or comma, or None."""
    number = decimal_of(cell)
    return None if number is None else number[0] * Fraction(10) ** number[1]


def rounded(numerator: int, denominator: int) -> tuple[int, bool]:
    """Nearest integer to a ratio, halves away from zero, and whether it is exact."""
    whole, rest = divmod(abs(numerator), denominator)
    whole += 2 * rest >= denominator
    return (-whole if numerator < 0 else whole), rest == 0


def scaled(digits: int, power: int) -> tuple[int, bool]:
    """`digits * 10**power` as the nearest integer, and whether it is exact."""
    if power >= 0:
        return digits * 10**power, True
    return rounded(digits, 10**-power)


def time_ns(column: TimeColumn, cell: str) -> tuple[int, bool] | None:
    """Time of a cell.

    Args:
        column: how the column is written.
        cell: its text without blanks around it.

    Returns:
        ns and whether they are exact; None when the cell is no such time.

    Raises:
        OverflowError: when it does not fit in 64 bits of ns.
    """
    if column.kind == "clock":
        result = _clock_ns(cell)
    elif column.kind == "date":
        result = _date_ns(cell)
    else:
        number = decimal_of(cell)
        if number is None:
            return None
        if column.kind == "sample":
            result = _sample_ns(number, column.period_ns)
        else:
            result = scaled(number[0], number[1] + column.unit_power)
    if result is not None and abs(result[0]) > INT64_MAX:
        raise OverflowError
    return result


def _sample_ns(number: tuple[int, int], period_ns: Fraction) -> tuple[int, bool] | None:
    count, exact = scaled(*number)
    if not exact:
        return None  # half a sample is no sample number
    return rounded(count * period_ns.numerator, period_ns.denominator)


def _clock_ns(cell: str) -> tuple[int, bool] | None:
    match = CLOCK.fullmatch(cell)
    if match is None:
        return None
    sign, hours, minutes, seconds, fraction = match.groups()
    whole = (int(hours) * 60 + int(minutes)) * 60 + int(seconds)
    fraction = (fraction or "")[:_LONGEST]
    value, exact = scaled(int(f"{whole}{fraction}"), 9 - len(fraction))
    return (-value if sign else value), exact


def _date_ns(cell: str) -> tuple[int, bool] | None:
    match = DATE.fullmatch(cell)
    if match is None:
        return None
    *parts, fraction, zone = match.groups()
    try:
        moment = datetime(*(int(part) for part in parts), tzinfo=_EPOCH.tzinfo)  # type: ignore[misc,arg-type]
        moment -= _zone_offset(zone)
    except (ValueError, OverflowError):
        return None
    seconds = (moment - _EPOCH) // timedelta(seconds=1)
    fraction = (fraction or "")[:_LONGEST]
    below, exact = scaled(int(fraction or 0), 9 - len(fraction))
    return seconds * 10**9 + below, exact


def _zone_offset(zone: str | None) -> timedelta:
    if zone is None or zone in "Zz":
        return timedelta(0)
    digits = zone[1:].replace(":", "").ljust(4, "0")
    offset = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    return -offset if zone[0] == "-" else offset
