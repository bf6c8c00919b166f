"""What the lines above a table state: sample rate or period, and the unit of time."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from decoders.captures.delimited_digits import UNIT_POWERS, fraction_of, unit_of

_RATE = re.compile(
    r"(?:sampl\w*[ _-]*(?:rate|freq\w*|clock)|\brate|\bfrequency|\bfs)\b[^0-9+-]{0,12}"
    r"([0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?)\s*\"?[,;\t]?\"?\s*([kKmMgG]?)\s*(hz|s/s|sa/s|sps|samples/s\w*|$)",
    re.I,
)
_PERIOD = re.compile(
    r"(?:sampl\w*[ _-]*(?:period|interval|time)|time[ _-]*(?:step|increment)"
    r"|\binterval|\bincrement)"
    r"[^0-9+-]{0,12}([0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?)\s*[,;\t]?\s*(\w+|\u00b5s|$)",
    re.I,
)
_TIME_UNIT = re.compile(r"time[ _-]*(?:unit|base)s?\s*[:=,;\t ]\s*\"?(\w+)", re.I)
_PREFIXES = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9}


@dataclass(frozen=True, slots=True)
class Facts:
    """What the lines above the table say."""

    rate_hz: Fraction | None = None
    time_unit: str | None = None


def facts_of(texts: Sequence[str]) -> Facts:
    """Sample rate and time unit stated in lines above the table; the last word counts."""
    rate: Fraction | None = None
    unit: str | None = None
    for text in texts:
        rate = _stated_rate(text.strip().rstrip(",;\t")) or rate
        if (match := _TIME_UNIT.search(text)) and unit_of(match[1]):
            unit = unit_of(match[1])
    return Facts(rate, unit)


def rate_of(text: str) -> Fraction | None:
    """A rate in Hz: `2000000`, `2e6`, `2 MHz`, `500 kS/s`; None when it is none."""
    match = re.fullmatch(
        r"([0-9.,]+(?:[eE][+-]?[0-9]+)?) ?([kKmMgG]?)(?:hz|sa?/s)?", text.strip(), re.I
    )
    if match is None:
        match = re.fullmatch(r"([0-9]+/[0-9]+)()", text.strip())  # an exact ratio
        return None if match is None else Fraction(match[1])
    value = fraction_of(match[1])
    return None if value is None else value * _PREFIXES[match[2].lower()]


def _stated_rate(text: str) -> Fraction | None:
    if match := _RATE.search(text):
        value = fraction_of(match[1].rstrip(".,"))
        return value * _PREFIXES[match[2].lower()] if value else None
    if match := _PERIOD.search(text):
        value, unit = fraction_of(match[1].rstrip(".,")), unit_of(match[2] or "s")
        if value and unit:
            return 1 / (value * Fraction(10) ** (UNIT_POWERS[unit] - 9))
    return None
