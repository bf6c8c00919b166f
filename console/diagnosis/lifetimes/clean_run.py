"""How long a clean run must last before a fix is believed.

If failures come at random, with mean life m known from n of them alone, then a run of
n (0.05^(-1/n) - 1) x m without a failure happens with probability 0.05 though nothing was mended:
with S the sum of n past lives, P(T > g S) = (1 + g)^-n, exactly. So 19 m after one failure, 5.1 m
after three, 3.5 m after ten. What dies at a count or a rollover needs no such patience: it must
only be seen beyond it. Where one life went on beyond, though those that failed agree, neither
holds: to run so far proves no mend if that one ran further without.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from console.diagnosis.lifetimes.candidates import TIME, Candidate
from console.diagnosis.lifetimes.count_or_clock import Verdict, comparable
from console.diagnosis.lifetimes.lives import Life

BELIEF = 0.95
# Beyond the highest at which it ever died: a share of it, or the spread seen where that is wider.
_MARGIN = 0.1


@dataclass(frozen=True, slots=True)
class CleanRun:
    """What a run must last: a time, a count of something, or both; 0 where there is no need."""

    ns: float = 0.0
    count: float = 0.0
    of: str = ""  # what is counted
    by_chance: bool = False  # the time is that of failures at random


def means_needed(failures: int, belief: float = BELIEF) -> float:
    """How many mean lives of clean running are needed after so many failures.

    Raises:
        ValueError: without a failure there is no mean.
    """
    if failures < 1:
        raise ValueError(f"{failures} failures")
    return failures * float((1 - belief) ** (-1 / failures) - 1)


def clean_time(failures: int, total: float, belief: float = BELIEF) -> float:
    """How long must be clean if failures come at random.

    Args:
        failures: how many there were.
        total: the time all lives lasted together, those that had not ended among them.
        belief: one minus the probability of so long a run though nothing was mended.

    Returns:
        In the unit of `total`.
    """
    return means_needed(failures, belief) * total / failures


def beyond(low: float, high: float) -> float:
    """What must be passed when it died between `low` and `high` each time."""
    return high + max(_MARGIN * high, high - low)


def clean_run(verdict: Verdict, lives: Sequence[Life]) -> CleanRun | None:
    """What must be clean before a fix is believed; None where that is not known.

    That is where nothing failed yet, and where a life went on beyond what those that failed agree
    in: whether it was mended is not in the data.

    Args:
        verdict: on these lives.
        lives: of one device.
    """
    if not verdict.failures or verdict.why == "survived":
        return None
    if verdict.kind == "rollover":
        return CleanRun(ns=_past_rollover(verdict))
    if verdict.kind not in ("random", "cannot say"):
        return _past(verdict.told)
    total = sum(life.age_ns for life in comparable(lives))
    return CleanRun(ns=clean_time(verdict.failures, total), by_chance=True)


def _past(told: Sequence[Candidate]) -> CleanRun:
    """Past all that it may be."""
    found = CleanRun()
    for each in told:
        needed = beyond(each.low, each.high)
        if each.name == TIME:
            found = replace(found, ns=needed)
        else:
            found = replace(found, count=needed, of=each.name)
    return found


def _past_rollover(verdict: Verdict) -> float:
    """Past the last of the rollovers at which it ended, by the board's clock."""
    if verdict.rollover is None:
        return 0.0
    turn_ns = verdict.rollover.last_turn * verdict.rollover.wrap.period_ns
    return beyond(turn_ns, turn_ns)
