"""Round limits of firmware: powers of two that counts run into, and ticks that roll over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

_LEAST, _MOST = 5, 32  # powers of two that are told
# A table of 1,024 handles of which some were open before: 1,014 of one device were seen.
_TABLE, _OPEN = 1024, (3, 10)


@dataclass(frozen=True, slots=True)
class Wrap:
    """A tick that rolls over."""

    name: str
    unit: str  # ms, us, s or min
    unit_ns: int
    period_ns: int


def _wrap(bits: int, unit: str, unit_ns: int) -> Wrap:
    words = {"us": "microseconds", "ms": "milliseconds", "s": "seconds", "min": "minutes"}[unit]
    return Wrap(f"2^{bits} {words}", unit, unit_ns, 2**bits * unit_ns)


_US, _MS, _S, _MIN = 1_000, 1_000_000, 1_000_000_000, 60_000_000_000
WRAPS: tuple[Wrap, ...] = (
    _wrap(24, "us", _US),  # 16.8 s
    _wrap(16, "ms", _MS),  # 65.5 s
    _wrap(31, "us", _US),  # 35.8 min
    _wrap(32, "us", _US),  # 71.6 min
    _wrap(15, "s", _S),  # 9.10 h
    _wrap(16, "s", _S),  # 18.2 h
    _wrap(31, "ms", _MS),  # 24.9 d
    _wrap(16, "min", _MIN),  # 45.5 d
    _wrap(32, "ms", _MS),  # 49.7 d
)


def near_limit(low: float, high: float) -> str:
    """The round limit that counts of low..high answered, or the next one, run into; "" for none.

    One more or less than a power of two counts as it: the last may or may not have been answered.
    Counts that differ by more than a table's open handles point at none.
    """
    if high - low > _OPEN[1]:
        return ""
    for bits in range(_MOST, _LEAST - 1, -1):
        if low - 1 <= 2**bits <= high + 1:
            return _said(2**bits, low, high)
    if _TABLE - _OPEN[1] <= low and high <= _TABLE - _OPEN[0]:
        return f"{_TABLE:,} less {_TABLE - high:,.0f} already open"
    return ""


def _said(power: int, low: float, high: float) -> str:
    name = f"2^{power.bit_length() - 1} = {power:,}"
    if low == high and low != power:
        return f"one {'less' if low < power else 'more'} than {name}"
    return name


def nearest_power(value: float) -> int:
    """The power of two with the smallest ratio to a value of at least 1."""
    below = 1 << (int(value).bit_length() - 1)
    return below if value * value < 2 * below * below else 2 * below


def past_wrap_ns(uptime_ns: float, wrap: Wrap) -> float:
    """How long after the last rollover it is, or (negative) before the next if that is nearer.

    Before the first rollover there is none to be after, so only the next counts.
    """
    after = uptime_ns % wrap.period_ns
    has_passed = uptime_ns >= wrap.period_ns
    return after if has_passed and 2 * after < wrap.period_ns else after - wrap.period_ns


def uptime_ns(ticks: Mapping[str, int]) -> int | None:
    """A board's clock in ns, by the finest unit it is known in."""
    for unit, unit_ns in (("us", _US), ("ms", _MS), ("s", _S)):
        if unit in ticks:
            return ticks[unit] * unit_ns
    return None
