"""The unit of a log's stamps, to be found where the line that carries the log was captured.

Bare numbers before lines are milliseconds as a rule, and a log alone may tell nothing else. On the
wire the time between two lines is known, and with it what the last digit of a stamp stands for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from decoders.prints.columns import CLOCKS, NO_TIME, Prints

_TICKS = CLOCKS.index("ticks")
_MS = 1_000_000


@dataclass(frozen=True, slots=True)
class StampUnit:
    """A unit, and by what stamps that were read as milliseconds are to be multiplied."""

    name: str
    factor: Fraction


UNITS = (
    StampUnit("microseconds", Fraction(1, 1000)),
    StampUnit("seconds", Fraction(1000)),
    StampUnit("nanoseconds", Fraction(1, _MS)),
)


def is_in_ms(log: Prints) -> bool:
    """Whether the lines were all read with whole milliseconds since some start."""
    stamps = log.native_ns[log.native_ns != NO_TIME]
    is_ticks = log.clock[log.native_ns != NO_TIME] == _TICKS
    return bool(len(stamps) and is_ticks.all() and not (stamps % _MS).any())


def with_unit(log: Prints, unit: StampUnit) -> Prints:
    """The lines, with their stamps in the unit."""
    stamps = log.native_ns
    scaled = stamps // unit.factor.denominator * unit.factor.numerator
    return replace(log, native_ns=np.where(stamps != NO_TIME, scaled, stamps))
