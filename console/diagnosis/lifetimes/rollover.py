"""Whether lives ended where a tick rolls over, and how improbable that is by chance.

Of a memoryless life the time since the last multiple of a period W lies within d of a multiple
with probability 2 d / W at most (for long lives; short ones seldom get that far). All n do with
the n-th power of it. A life that could only end in less than W, as one of a board whose tick was
preset to shortly before the rollover, has that in place of W.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from console.diagnosis.lifetimes.limits import WRAPS, Wrap, past_wrap_ns, uptime_ns
from console.diagnosis.lifetimes.lives import SINCE_BOOT, Life

ALPHA = 0.01
# One draw of a time may lie near one of the rollovers with no more than this probability.
_HIT = 0.05
_OPEN_PERIODS = 2  # the first poll after a rollover, or the one after that
_CRYSTAL = 5e-4  # of the time since boot, where the board's own clock was not seen


@dataclass(frozen=True, slots=True)
class Rollover:
    """All lives ended within `within_ns` of rollovers of one tick."""

    wrap: Wrap
    within_ns: float
    share: float  # of the time one life had to end in, how much lies so near a rollover
    p_chance: float  # that all lie so, for all rollovers of the table together
    same_one: bool  # the same rollover each time, as the first after boot
    last_turn: int  # the highest of those at which one ended; 1 is the first


def rollover(failed: Sequence[Life]) -> Rollover | None:
    """The slowest tick at whose rollovers all of them ended, if chance would not do that."""
    uptimes = [_uptime(life) for life in failed]
    if len(failed) < 2 or None in uptimes:
        return None
    known = [each for each in uptimes if each is not None]
    for wrap in reversed(WRAPS):
        found = _at(wrap, known)
        if found is not None and _counts(found, len(failed)):
            return found
    return None


def near_rollover(life: Life) -> Rollover | None:
    """The slowest tick that rolled over as one life ended: a hint, and no more."""
    known = _uptime(life)
    if known is None:
        return None
    hits = [found for wrap in reversed(WRAPS) if (found := _at(wrap, [known]))]
    return next((hit for hit in hits if hit.p_chance <= _HIT), None)


@dataclass(frozen=True, slots=True)
class _Uptime:
    ns: float
    open_ns: float  # it died within this after it
    slack_ns: float  # how far from a rollover it may lie
    exposed_ns: float  # the time in which it could have ended


def _uptime(life: Life) -> _Uptime | None:
    own = uptime_ns(life.ticks)
    if own is None and life.zero not in SINCE_BOOT:
        return None
    open_ns, exposed_ns = life.open_share * life.elapsed_ns, life.exposed_share * life.age_ns
    if own is not None:
        return _Uptime(own, open_ns, _OPEN_PERIODS * open_ns, exposed_ns)
    slack_ns = _OPEN_PERIODS * open_ns + _CRYSTAL * life.elapsed_ns
    return _Uptime(life.elapsed_ns, open_ns, slack_ns, exposed_ns)


def _at(wrap: Wrap, uptimes: Sequence[_Uptime]) -> Rollover | None:
    away = [past_wrap_ns(each.ns, wrap) for each in uptimes]
    if any(abs(a) > each.slack_ns for a, each in zip(away, uptimes, strict=True)):
        return None
    within = max(max(abs(a), u.open_ns) for a, u in zip(away, uptimes, strict=True))
    room = [max(min(wrap.period_ns, each.exposed_ns), 1.0) for each in uptimes]
    shares = [min(1.0, 2 * within / each) for each in room]
    p = min(1.0, len(WRAPS) * math.prod(shares))
    turns = {round(each.ns / wrap.period_ns) for each in uptimes}
    return Rollover(wrap, within, max(shares), p, len(turns) == 1, max(turns))


def _counts(found: Rollover, lives: int) -> bool:
    """Lives that ended alike for another reason are one draw, however many they are."""
    draws = 1 if found.same_one else lives
    return found.p_chance <= ALPHA and len(WRAPS) * found.share**draws <= _HIT
