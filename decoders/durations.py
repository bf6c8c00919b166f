"""Lengths of time as a bench file or packet description writes them, and as people say them."""

from __future__ import annotations

import re
from decimal import Decimal

UNITS_NS = {
    "ns": 1,
    "us": 1_000,
    "µs": 1_000,  # micro sign
    "μs": 1_000,  # Greek mu, which looks the same
    "ms": 1_000_000,
    "s": 1_000_000_000,
    "min": 60_000_000_000,
    "h": 3_600_000_000_000,
}
# Unit, its ns, and from how many of it on it is said.
_SAID = (
    ("d", 86_400_000_000_000, 2),
    ("h", UNITS_NS["h"], 3),
    ("min", UNITS_NS["min"], 2),
    ("s", UNITS_NS["s"], 1),
    ("ms", UNITS_NS["ms"], 1),
    ("us", UNITS_NS["us"], 1),
)
_DURATION = re.compile(r"\s*([+-]?)\s*(\d+(?:\.\d*)?|\.\d+)\s*([a-zA-Zµμ]+)\s*")
_MAX_NS = 2**62  # room to add two of them in int64


def duration_ns(text: str, *, signed: bool = False) -> int:
    """A length of time in whole ns, from text with a unit; the last digit is rounded half to even.

    Args:
        text: a decimal number and one of ns, us, ms, s, min, h: "250ms", "1.5 s", "+12.5s".
        signed: whether a sign is allowed.

    Raises:
        ValueError: in words for people, if it is none.
    """
    match = _DURATION.fullmatch(text)
    if match is None or match[3] not in UNITS_NS:
        raise ValueError(f'must be a number with a unit, such as "250ms" or "1.5 s", not {text!r}')
    if match[1] and not signed:
        raise ValueError(f"must have no sign, not {text!r}")
    ns = int((Decimal(match[2]) * UNITS_NS[match[3]]).to_integral_value())
    if ns >= _MAX_NS:
        raise ValueError(f"must be shorter than 146 years, not {text!r}")
    return -ns if match[1] == "-" else ns


def in_ns(value: float, unit: str) -> int:
    """A number in a unit as whole ns, exact for what a file can write in decimals.

    Raises:
        ValueError: in words for people, if it is negative, not finite or too long.
    """
    number = Decimal(repr(value))
    if not number.is_finite() or number < 0:
        raise ValueError(f"must be a finite number of at least 0, not {value!r}")
    ns = int((number * UNITS_NS[unit]).to_integral_value())
    if ns >= _MAX_NS:
        raise ValueError(f"must be shorter than 146 years, not {value!r}")
    return ns


def in_words(ns: int | float) -> str:
    """A length of time in the unit a person would say it in: `34 min`, `1.84 ms`, `720 ns`."""
    size = float(f"{abs(ns):.3g}")  # 999.9 ms is said as 1 s
    for unit, unit_ns, least in _SAID:
        if size >= least * unit_ns:
            return f"{ns / unit_ns:.3g} {unit}"
    return f"{ns:.0f} ns"
