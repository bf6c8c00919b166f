"""Stamps as text to int64 ns, in bulk and exactly; no digit ever passes through a float."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from decoders.prints.columns import NO_TIME

SECOND_NS = 1_000_000_000
UNITS_NS = {"s": SECOND_NS, "ms": 1_000_000, "us": 1000, "ns": 1}
_DECIMALS = {SECOND_NS: 9, 1_000_000: 6, 1000: 3, 1: 0}
_LAST_DAY = 106_000  # 290 years, the end of int64 ns
_LIMIT_NS = 2**62  # of one part, so two of them never run over int64

# RFC 3339 section 5.6, with a space for T, a comma for the point, and the zone left out.
_ISO = (
    r"^(?P<date>\d{4}-\d\d-\d\d)[T ](?P<h>\d\d):(?P<m>\d\d):(?P<s>\d\d(?:[.,]\d+)?)"
    r" ?(?P<zone>Z|[+-]\d\d:?\d\d)?$"
)
_CLOCK = r"^(?:(?P<d>\d+)d? )?(?P<h>\d{1,5}):(?P<m>\d\d):(?P<s>\d\d(?:[.,]\d+)?)$"
_NUMBER = r"^(?P<n>\d{1,19}(?:[.,]\d+)?)$"


@dataclass(frozen=True, slots=True)
class Stamps:
    """Times of n texts, and what they are times of."""

    t_ns: npt.NDArray[np.int64]  # [n] NO_TIME where the text is none
    clock: npt.NDArray[np.uint8]  # [n] index into CLOCKS
    zoneless: bool = False  # an ISO 8601 time without a zone was taken as UTC


def number_ns(texts: pl.Series, unit_ns: int) -> npt.NDArray[np.int64]:
    """Decimal numbers of a unit in ns; digits below one ns are dropped.

    Args:
        texts: n digit texts with or without a fraction (point or comma); null where there is none.
        unit_ns: the unit of the whole digits: 10^9, 10^6, 10^3 or 1.

    Returns:
        int64[n]; NO_TIME where there is no number, or none below 2^62 ns (146 years).
    """
    decimals = _DECIMALS[unit_ns]
    if texts.str.contains("[ ,]").any():
        texts = texts.str.strip_chars().str.replace(",", ".", literal=True)
    whole, part = texts, None
    if texts.str.contains(".", literal=True).any():
        split = texts.str.split_exact(".", 1).struct.unnest()
        whole, part = split["field_0"], split["field_1"]
    total = _digits(whole)
    bad = (total < 0) | (total > _LIMIT_NS // unit_ns)
    total[bad] = 0
    total *= unit_ns
    if part is not None and decimals:
        digits = part.fill_null("").str.pad_end(decimals, "0").str.slice(0, decimals)
        below = _digits(digits)
        bad |= below < 0
        total += below
    total[bad] = NO_TIME
    return total


def time_ns(texts: pl.Series) -> Stamps:
    """Times of day or date: ISO 8601, `[days] hours:minutes:seconds`, or a number since 1970.

    A number too large to be seconds in int64 ns is ms, us or ns, whichever fits first.

    Args:
        texts: n texts; null where there is none.
    """
    t_ns = np.full(len(texts), NO_TIME, dtype=np.int64)
    clock = np.zeros(len(texts), dtype=np.uint8)
    zoneless = False
    for code, reader in ((2, _iso_ns), (3, _clock_ns), (2, _since_1970_ns)):
        left = np.flatnonzero((t_ns == NO_TIME) & texts.is_not_null().to_numpy())
        if not len(left):
            break
        found, assumed = reader(texts if len(left) == len(texts) else texts.gather(left))
        t_ns[left] = found
        clock[left[found != NO_TIME]] = code
        zoneless |= assumed
    return Stamps(t_ns, clock, zoneless)


def _digits(texts: pl.Series) -> npt.NDArray[np.int64]:
    """int64[n]; -1 where a text is no number."""
    return texts.cast(pl.Int64, strict=False).fill_null(-1).to_numpy().astype(np.int64)


def _sum_ns(*parts: tuple[npt.NDArray[np.int64], int]) -> npt.NDArray[np.int64]:
    """Sum of parts with their factors; NO_TIME where one of them is -1 or NO_TIME."""
    total = np.zeros(len(parts[0][0]), dtype=np.int64)
    bad = np.zeros(len(total), dtype=np.bool_)
    for column, factor in parts:
        wrong = (column < 0) | (column > _LIMIT_NS // factor)
        bad |= wrong
        total += np.where(wrong, 0, column) * factor
        bad |= total < 0
    return np.where(bad, NO_TIME, total)


def _iso_ns(texts: pl.Series) -> tuple[npt.NDArray[np.int64], bool]:
    found = texts.str.extract_groups(_ISO).struct.unnest()
    hours, minutes = _digits(found["h"]), _digits(found["m"])
    seconds = number_ns(found["s"], SECOND_NS)
    seconds[seconds >= 61 * SECOND_NS] = NO_TIME  # 60 is a leap second: the next minute's 0
    hours[hours > 23] = -1
    minutes[minutes > 59] = -1
    day = _sum_ns((hours, 3600 * SECOND_NS), (minutes, 60 * SECOND_NS), (seconds, 1))
    dates = found["date"].str.to_date("%Y-%m-%d", strict=False)
    days = dates.to_physical().cast(pl.Int64).fill_null(NO_TIME).to_numpy()
    zone = found["zone"]
    east_ns = zone.replace_strict(_zones(zone), default=0, return_dtype=pl.Int64).to_numpy()
    bad = (day == NO_TIME) | (days < -_LAST_DAY) | (days > _LAST_DAY)
    total = np.where(bad, 0, days) * (86400 * SECOND_NS) + np.where(bad, 0, day) - east_ns
    zoneless = bool((zone.is_null().to_numpy() & ~bad).any())
    return np.where(bad, NO_TIME, total), zoneless


def _zones(zone: pl.Series) -> dict[str, int]:
    """Offset east of UTC in ns of every zone text that is there."""
    offsets = {}
    for text in zone.drop_nulls().unique().to_list():
        digits = text[1:].replace(":", "") or "0000"
        east_s = int(digits[:2]) * 3600 + int(digits[2:]) * 60
        offsets[text] = (-east_s if text[0] == "-" else east_s) * SECOND_NS
    return offsets


def _clock_ns(texts: pl.Series) -> tuple[npt.NDArray[np.int64], bool]:
    found = texts.str.extract_groups(_CLOCK).struct.unnest()
    days = _digits(found["d"].fill_null("0"))
    hours, minutes = _digits(found["h"]), _digits(found["m"])
    seconds = number_ns(found["s"], SECOND_NS)
    total = _sum_ns(
        (days, 86400 * SECOND_NS),
        (hours, 3600 * SECOND_NS),
        (minutes, 60 * SECOND_NS),
        (seconds, 1),
    )
    return total, False


def _since_1970_ns(texts: pl.Series) -> tuple[npt.NDArray[np.int64], bool]:
    found = texts.str.extract_groups(_NUMBER).struct.unnest()["n"]
    total = np.full(len(found), NO_TIME, dtype=np.int64)
    for unit_ns in UNITS_NS.values():
        left = total == NO_TIME
        if not left.any():
            break
        total[left] = number_ns(found.filter(pl.Series(left)), unit_ns)
    return total, False
