"""Echo ranging: a trigger starts a ping, and a pulse as long as its echo takes comes back.

The distance is half the way that sound goes in that time, d = c t / 2, with
c = 331.3 sqrt(1 + T / 273.15) m/s in dry air of T degrees Celsius. Humidity adds 0.1 to 0.6 %,
pressure nothing. Where no echo comes back, sensors differ: some give no pulse at all (the ping is
lost), others a pulse as long as they were ready to wait (it is timed out). Neither is a distance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.pulses import Pulses

OUTCOMES = ("answered", "timed-out", "lost", "not-observable")
ANSWERED, TIMED_OUT, LOST, NOT_OBSERVABLE = range(4)
_ZERO_C_M_S = 331.3
_ZERO_C_K = 273.15


def sound_m_s(temperature_c: float) -> float:
    """The speed of sound in dry air, m/s.

    Raises:
        ValueError: at or below absolute zero.
    """
    if temperature_c <= -_ZERO_C_K:
        raise ValueError(f"temperature is {temperature_c} degrees Celsius")
    return _ZERO_C_M_S * math.sqrt(1 + temperature_c / _ZERO_C_K)


def distances_cm(echo_ns: npt.NDArray[np.int64], temperature_c: float) -> npt.NDArray[np.float64]:
    """The distance each echo time says, float64[n] in cm."""
    return echo_ns.astype(np.float64) * (sound_m_s(temperature_c) * 1e-7 / 2)


@dataclass(frozen=True, slots=True, eq=False)
class Pings:
    """Pings in time order; n rows, n may be 0."""

    trigger_ns: npt.NDArray[np.int64]  # [n] when the trigger ended
    echo: npt.NDArray[np.int64]  # [n] row of the echo among the echo line's pulses; -1 for none
    outcome: npt.NDArray[np.uint8]  # [n] index into OUTCOMES

    def __len__(self) -> int:
        return len(self.trigger_ns)


def pings_of(trigger: Pulses, echo: Pulses, timeout_ns: int, until_ns: int) -> Pings:
    """Every trigger with the echo that answers it: the first that begins before the next trigger.

    Args:
        trigger: pulses of the trigger line.
        echo: pulses of the echo line.
        timeout_ns: an echo as long as this says that nothing came back.
        until_ns: until when the lines were observed; a ping that could still be answered then is
            not judged.
    """
    asked = trigger.end_ns
    first = echo.start_ns.searchsorted(trigger.start_ns)
    following = np.append(trigger.start_ns[1:], np.iinfo(np.int64).max)
    begins = np.append(echo.start_ns, np.iinfo(np.int64).max).take(first)
    is_answered = begins < following
    if not len(asked):
        return Pings(asked, first, np.empty(0, np.uint8))
    row = np.where(is_answered, first, -1)
    width = np.append(echo.width_ns, 0).take(row)
    outcome = np.where(is_answered, np.where(width >= timeout_ns, TIMED_OUT, ANSWERED), LOST)
    waits_until = np.minimum(asked + 2 * timeout_ns, following)
    outcome[~is_answered & (waits_until > until_ns)] = NOT_OBSERVABLE
    return Pings(asked, row, outcome.astype(np.uint8))
