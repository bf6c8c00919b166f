"""Which lines of a capture carry pulses that mean something: servo signals, and echo ranging.

A servo's line has pulses of 0.4 to 2.6 ms at a steady beat of 2.5 to 40 ms. Ranging takes two
lines: short triggers, seldom, each answered within a few milliseconds by one pulse on the other.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from decoders.buses.pulses import NO_PERIOD, PulseDecoder, Pulses
from decoders.captures.edges import Edges
from decoders.durations import in_words

_FEWEST = 10  # pulses
_SERVO_WIDTH_NS = (400_000, 2_600_000)
_SERVO_PERIOD_NS = (2_500_000, 40_000_000)
_STEADY = 0.05  # of the usual period, within which
_STEADY_SHARE = 0.9  # of the periods lie
_TRIGGER_NS = (1_000, 200_000)
_LEAST_PING_NS = 10_000_000
_ECHO_NS = (50_000, 400_000_000)
_ANSWERS_NS = 5_000_000  # after the trigger
_ANSWERED = 0.5  # share of triggers with an echo: many may be lost


@dataclass(frozen=True, slots=True)
class ServoLine:
    """A line that looks like a servo's, and why."""

    line: int
    why: str


@dataclass(frozen=True, slots=True)
class RangingLines:
    """Two lines that look like those of echo ranging, and why."""

    trigger: int
    echo: int
    why: str


def pulse_lines(
    edges: Edges, channels: Sequence[str], taken: Collection[int] = ()
) -> tuple[list[ServoLine], list[RangingLines]]:
    """The lines that look like servo signals, and the pairs that look like echo ranging.

    Args:
        edges: the beginning of a capture, without gaps.
        channels: their names; bit k of the levels is `channels[k]`.
        taken: lines known to be something else.
    """
    lines = range(min(len(channels), 8 * edges.levels.itemsize))
    pulses = {k: PulseDecoder(k).feed(edges) for k in lines if k not in taken}
    pulses = {k: found for k, found in pulses.items() if len(found) >= _FEWEST}
    servos = [ServoLine(k, _servo_words(p)) for k, p in pulses.items() if _is_servo(p)]
    left = {k: p for k, p in pulses.items() if k not in {servo.line for servo in servos}}
    ranging: list[RangingLines] = []
    for trigger in [k for k, p in left.items() if _is_trigger(p)]:
        used = {line for pair in ranging for line in (pair.trigger, pair.echo)}
        for echo, answers in left.items():
            if echo != trigger and not {echo, trigger} & used:
                answered = _answered(left[trigger], answers)
                if answered >= _ANSWERED:
                    why = f"of {len(left[trigger])} short pulses {answered:.0%} are answered"
                    ranging.append(RangingLines(trigger, echo, why))
                    used |= {trigger, echo}
    return servos, ranging


def _is_servo(pulses: Pulses) -> bool:
    width, period = pulses.width_ns, pulses.period_ns[pulses.period_ns != NO_PERIOD]
    usual = float(np.median(period))
    low, high = _SERVO_PERIOD_NS
    inside = (width >= _SERVO_WIDTH_NS[0]) & (width <= _SERVO_WIDTH_NS[1])
    steady = np.abs(period - usual) <= _STEADY * usual
    return low <= usual <= high and bool(inside.all()) and float(steady.mean()) >= _STEADY_SHARE


def _servo_words(pulses: Pulses) -> str:
    width, period = pulses.width_ns, pulses.period_ns[pulses.period_ns != NO_PERIOD]
    return (
        f"{len(pulses)} pulses of {width.min() / 1e3:.0f} to {width.max() / 1e3:.0f} us, "
        f"one every {in_words(int(np.median(period)))}"
    )


def _is_trigger(pulses: Pulses) -> bool:
    width, period = pulses.width_ns, pulses.period_ns[pulses.period_ns != NO_PERIOD]
    is_short = (width >= _TRIGGER_NS[0]) & (width <= _TRIGGER_NS[1])
    return bool(is_short.all()) and int(period.min()) >= _LEAST_PING_NS


def _answered(trigger: Pulses, echo: Pulses) -> float:
    """Share of the triggers after which an echo begins; 0 when other pulses are there, too."""
    at = trigger.end_ns.searchsorted(echo.start_ns, "right") - 1
    after = echo.start_ns - trigger.end_ns.take(np.maximum(at, 0))
    width = echo.width_ns
    right = (at >= 0) & (after <= _ANSWERS_NS) & (width >= _ECHO_NS[0]) & (width <= _ECHO_NS[1])
    if len(np.unique(at[right])) < len(echo) - 1:  # the first may answer one that was not seen
        return 0.0
    return len(np.unique(at[right])) / len(trigger)
