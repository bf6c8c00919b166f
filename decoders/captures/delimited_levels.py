"""Levels of delimited cells: words, numbers, volts and packed ports to bits of a level word."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from decoders.captures.delimited_digits import fraction_of

LEVEL_WORDS = {
    "0": 0,
    "1": 1,
    "l": 0,
    "h": 1,
    "low": 0,
    "high": 1,
    "false": 0,
    "true": 1,
    "f": 0,
    "t": 1,
    "off": 0,
    "on": 1,
}
# What instruments write where there is no number: the value is taken as unchanged.
NO_VALUE = frozenset(
    (
        "inf",
        "+inf",
        "-inf",
        "infinity",
        "nan",
        "ovf",
        "ovl",
        "ol",
        "over",
        "overflow",
        "---",
        "--",
        "-",
        "n/a",
        "na",
        "null",
        "none",
        "?",
        "****",
    )
)
_HEX = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{1,16})[hH]?")
VOLT_UNITS = {"v": 0, "mv": -3, "volt": 0, "volts": 0, "uv": -6}


@dataclass(frozen=True, slots=True)
class LevelColumn:
    """Which bits of the level word a cell gives, and how it is written."""

    index: int  # cell of a row
    kind: str  # "logic", "volts", "hex", "number" (a packed port in decimal)
    bit: int  # first bit of the level word
    width: int = 1  # bits: 1 for logic and volts
    threshold: Fraction = Fraction(0)  # volts, in the unit of the cell: at or above is high


def has_no_value(cell: str) -> bool:
    """Whether a cell says that there is no number: empty, or an overflow word."""
    return not cell or cell.lower() in NO_VALUE


def logic_of(cell: str) -> int | None:
    """0 or 1 for a level word or a number equal to 0 or 1, else None."""
    word = LEVEL_WORDS.get(cell.lower())
    if word is not None:
        return word
    number = fraction_of(cell)
    return int(number) if number is not None and number in (0, 1) else None


def hex_of(cell: str) -> int | None:
    """Value of a hexadecimal port word, with or without 0x, or None."""
    match = _HEX.fullmatch(cell)
    return None if match is None else int(match[1], 16)


def level_of(column: LevelColumn, cell: str) -> int | None:
    """The bits a cell gives, not yet shifted into place; None when it is no level."""
    if column.kind == "logic":
        return logic_of(cell)
    if column.kind == "volts":
        volts = fraction_of(cell)
        return None if volts is None else int(volts >= column.threshold)
    if column.kind == "hex":
        port = hex_of(cell)
    else:
        port = int(cell) if cell.isascii() and cell.isdigit() and len(cell) < 20 else None
    return port if port is not None and port < 1 << column.width else None


def port_width(cells: Sequence[str]) -> tuple[str, int] | None:
    """Kind and width in bits when the cells are one packed port, else None.

    Hexadecimal is told by 0x, by a letter, or by two or more digits of one length that begin with
    a zero; else whole numbers of which one exceeds 1 are a port in decimal.
    """
    filled = [cell for cell in cells if not has_no_value(cell)]
    matches = [_HEX.fullmatch(cell) for cell in filled]
    if not filled or 10 * sum(map(bool, matches)) < 9 * len(filled):
        return None  # a few may have gone wrong
    digits = [match[1] for match in matches if match is not None]
    longest = max(map(len, digits))
    marked = any(cell[:2] in ("0x", "0X") or cell[-1:] in "hH" for cell in filled)
    lettered = any(not word.isdigit() for word in digits)
    padded = longest > 1 and len(set(map(len, digits))) == 1 and any(w[0] == "0" for w in digits)
    if marked or lettered or padded:
        return "hex", 4 * longest
    most = max(map(int, digits))
    if most <= 1 or most >= 1 << 16:
        return None
    return "number", next(bits for bits in (2, 4, 8, 16) if most < 1 << bits)


def halfway_volts(cells: Sequence[str], least: Fraction) -> tuple[Fraction, bool] | None:
    """A threshold for levels in volts, in the cells' unit; None without numbers.

    It lies half way between the low and the high level seen: the medians of the two classes that
    part the values best, so that a single spike moves nothing. Where only one level was seen it is
    half of that, but never below `least`: what stays below that is low all the while.

    Returns:
        The threshold, and whether both levels were seen.
    """
    values = sorted(
        value for value in map(fraction_of, cells) if value is not None and abs(value) < 10**9
    )
    if not values:
        return None
    at = _best_split(values)
    low, high = values[at // 2], values[(at + len(values)) // 2]
    if not at or high < least or high - low < abs(high) / 4:
        return max(high / 2, least), False
    return Fraction(round((low + high) / 2 * 1000), 1000), True


def _best_split(values: Sequence[Fraction]) -> int:
    """How many of the sorted values are the lower class: that with most variance between the two.

    N. Otsu, "A threshold selection method from gray-level histograms", 1979. 0 if all are equal.
    """
    numbers = [float(value) for value in values]
    count, total, below = len(numbers), sum(numbers), 0.0
    best, most = 0, 0.0
    for k in range(1, count):
        below += numbers[k - 1]
        between = k * (count - k) * ((total - below) / (count - k) - below / k) ** 2
        if between > most and numbers[k] > numbers[k - 1]:
            best, most = k, between
    return best
