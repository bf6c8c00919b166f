"""Axes of a plot: round numbers, round times, and the words for both."""

from __future__ import annotations

import math
from dataclasses import dataclass

from console.timeline.times import since_start
from decoders.durations import UNITS_NS, in_words

_ROUND = (1, 2, 5, 10)
_ONE_VALUE = 1e-9  # share of a value by which others do not show beside it
_NOTHING = 1e-200  # smaller values are drawn as 0
_S, _MIN, _H = UNITS_NS["s"], UNITS_NS["min"], UNITS_NS["h"]
_LONG_STEPS = (
    *(k * _S for k in (1, 2, 5, 10, 15, 30)),
    *(k * _MIN for k in (1, 2, 5, 10, 15, 30)),
    *(k * _H for k in (1, 2, 3, 6, 12, 24)),
)
_TIMES = (("s", _S), ("ms", UNITS_NS["ms"]), ("us", UNITS_NS["us"]), ("ns", 1))


@dataclass(frozen=True, slots=True)
class ValueAxis:
    """A range of values in round steps, and how its numbers are written."""

    low: float
    high: float
    step: float
    unit: str  # of the labels
    factor: float  # label = value / factor

    def label(self, value: float) -> str:
        """A number of the axis, in its unit."""
        return f"{value / self.factor + 0.0:.6g}"

    def ticks(self) -> list[float]:
        """The round values in the range."""
        first, last = round(self.low / self.step), round(self.high / self.step)
        return [k * self.step for k in range(first, last + 1)]


def value_axis(low: float, high: float, unit: str, rows: int) -> ValueAxis:
    """An axis from at most `low` to at least `high`, with about a label in two rows.

    Args:
        low: the lowest value.
        high: the highest.
        unit: of the values; ns are labelled in the unit a person would say.
        rows: of the screen.
    """
    size = max(abs(low), abs(high))
    if high - low <= size * _ONE_VALUE or size < _NOTHING:
        spare = size * 0.1 if size >= _NOTHING else 1.0
        low, high = low - spare, high + spare
    name, factor = _said_in(max(abs(low), abs(high))) if unit == "ns" else (unit, 1.0)
    step = round_step((high - low) / max(1, (rows - 1) // 2) / factor) * factor
    low, high = math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step
    return ValueAxis(low, high, step, name, factor)


def round_step(least: float) -> float:
    """The least of 1, 2, 5, 10, .. (and their tenths) that is no less."""
    size = 10.0 ** math.floor(math.log10(least))
    return size * next(k for k in _ROUND if k * size >= least * (1 - 1e-9))


def value_words(value: float, unit: str) -> str:
    """A value as people say it: whole numbers in full, others to six digits."""
    if unit == "ns":
        return in_words(value)
    is_whole = value == round(value) and abs(value) < 1e15
    return f"{value:.0f} {unit}".rstrip() if is_whole else f"{value:.6g} {unit}".rstrip()


def time_step(span_ns: int, most: int) -> int:
    """The least round step that divides a span into at most so many."""
    least = max(1, -(-span_ns // max(1, most)))
    if least < _S:
        return round(round_step(least))
    step = next((step for step in _LONG_STEPS if step >= least), None)
    return step or -(-least // (24 * _H)) * 24 * _H


def time_ticks(from_ns: int, until_ns: int, start_ns: int, width: int) -> list[tuple[int, str]]:
    """Round times since the start of the run, as many as have room, with their words.

    Args:
        from_ns: first moment, common axis.
        until_ns: last moment.
        start_ns: start of the run.
        width: cells.
    """
    span = max(1, until_ns - from_ns)
    for most in range(max(1, width // 8), 0, -1):
        step = time_step(span, most)
        first = -(-(from_ns - start_ns) // step) * step + start_ns
        ticks = [(t, since_start(t - start_ns, step)) for t in range(first, until_ns, step)]
        room = width * step // span
        if all(len(words) + 3 <= room for _, words in ticks):
            return ticks
    return ticks[:1]


def _said_in(size_ns: float) -> tuple[str, float]:
    return next(((name, float(ns)) for name, ns in _TIMES if size_ns >= ns), ("ns", 1.0))
