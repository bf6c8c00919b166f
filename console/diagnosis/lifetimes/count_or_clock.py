"""Count or clock: did it die after a count of something, after a time, at a rollover, or at random?

Each candidate (elapsed time, and everything counted) is judged by how well the lives agree in it:
the ratio of longest to shortest against what memoryless lives do by chance (`agreement.py`), times
the number of candidates that were tried. Candidates in one proportion over all lives are one
(`candidates.py`). The tightest that chance does not explain wins, if every other that agrees is
wider by what Fisher's F demands; else they are not told apart, and the verdict says so and which
change of a rate would tell. A life that went on beyond a count or time refutes it, unless it was
mended; nothing in the data says which, so the verdict is then left open.

A wrong claim of count, time or rollover on memoryless failures: at most ALPHA + rollover.ALPHA.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from console.diagnosis.lifetimes.agreement import spread_needed
from console.diagnosis.lifetimes.candidates import (
    TIME,
    Candidate,
    Paced,
    candidates,
    is_of_others,
    paced,
    preference,
)
from console.diagnosis.lifetimes.limits import near_limit
from console.diagnosis.lifetimes.lives import BYTES, POLLS, SINCE_BOOT, Life, Zero
from console.diagnosis.lifetimes.rollover import Rollover, near_rollover, rollover
from console.diagnosis.lifetimes.weibull import Interval, Shape, weibull_shape

Kind = Literal["count", "quantity", "time", "rollover", "random", "confounded", "cannot say"]
Why = Literal[
    "",
    "no failure",
    "one failure",
    "nothing counted",
    "survived",
    "too few",
    "no agreement",
    "wears out",
]

ALPHA = 0.04
_WIDEST_LIMIT = 1.25  # longest over shortest; many lives agree better than chance far beyond it
_VIABLE = 0.05  # of one candidate by itself: below it, it is a rival
_FEWEST_RANDOM = 4  # failures; fewer cannot show that they scatter as chance does
_WIDEST_SHAPE = 4.0  # a Weibull shape beyond this is a limit that scatters, not chance


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """What the lives say, and what they cannot."""

    kind: Kind
    failures: int
    censored: int
    why: Why = ""  # of "cannot say"
    # What it ran out of; of "confounded" all that it may be, of "cannot say" what they agree in.
    told: tuple[Candidate, ...] = ()
    alike: tuple[str, ...] = ()  # kept pace with the first of `told` and cannot be told from it
    p_chance: float | None = None  # for all candidates together
    tried: int = 0  # candidates that do not move together
    near: str = ""  # a round limit of firmware nearby: a hint
    rollover: Rollover | None = None
    shape: Interval | None = None  # of the Weibull law of the elapsed times
    survivors: tuple[str, ...] = ()  # of "survived": the runs in which a life went on beyond
    left_out: int = 0  # failed lives that were counted from another kind of beginning
    candidates: tuple[Candidate, ...] = field(default=(), repr=False)  # best agreement first

    @property
    def of(self) -> str:
        """What it ran out of; "" if that was not told."""
        return self.told[0].name if self.told else ""


def verdict(lives: Sequence[Life]) -> Verdict:
    """Judge the lives of one device.

    Args:
        lives: failed ones, and those that had not ended; in any order.
    """
    compared = comparable(lives)
    failed = [life for life in compared if life.failed]
    censored = [life for life in compared if not life.failed]
    left_out = sum(life.failed for life in lives) - len(failed)
    if len(failed) < 2:
        return _too_few(failed, len(censored), left_out)
    return _judged(failed, censored, left_out)


def comparable(lives: Sequence[Life]) -> list[Life]:
    """The lives counted from that kind of beginning from which most failed ones are."""
    zero = _usual_zero(lives)
    return [life for life in lives if zero is None or _beginning(life.zero) == zero]


def _beginning(zero: Zero) -> Zero:
    return "boot" if zero in SINCE_BOOT else zero


def _usual_zero(lives: Sequence[Life]) -> Zero | None:
    """What most of the failed lives were counted from."""
    counted = Counter(_beginning(life.zero) for life in lives if life.failed)
    return counted.most_common(1)[0][0] if counted else None


def _too_few(failed: Sequence[Life], censored: int, left_out: int) -> Verdict:
    if not failed:
        return Verdict("cannot say", 0, censored, "no failure")
    life = failed[0]
    polls = life.counts.get(POLLS)
    return Verdict(
        "cannot say",
        1,
        censored,
        "one failure",
        near="" if polls is None else _near(polls, polls, POLLS),
        rollover=near_rollover(life),
        left_out=left_out,
    )


def _near(low: float, high: float, of: str) -> str:
    """A round limit that counts come near; a total of bytes passes one by bounds of a poll."""
    return "" if of == TIME or of.startswith(BYTES) else near_limit(low, high)


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    """Lives from one kind of beginning, and what was tried on them."""

    failed: Sequence[Life]
    censored: Sequence[Life]
    found: Sequence[Candidate]
    groups: Sequence[Paced]
    left_out: int

    @property
    def open(self) -> Verdict:
        """What is known before anything is decided."""
        return Verdict(
            "cannot say",
            len(self.failed),
            len(self.censored),
            tried=len(self.groups),
            left_out=self.left_out,
            candidates=tuple(sorted(self.found, key=lambda c: (c.ratio, preference(c.name)))),
        )

    @property
    def driven(self) -> str:
        """The count whose rate somebody sets: polls, or else the part's own first count."""
        names = sorted((c.name for c in self.found if c.name != TIME), key=preference)
        return names[0] if names else ""


def _judged(failed: Sequence[Life], censored: Sequence[Life], left_out: int) -> Verdict:
    found = candidates(failed, censored)
    case = _Case(failed, censored, found, paced(found), left_out)
    agreed = _agreement(case)
    if agreed is not None and agreed.kind in ("count", "quantity"):
        return agreed
    rolled = rollover(failed)
    if rolled is not None:
        time = next(c for c in found if c.name == TIME)
        return replace(
            case.open, kind="rollover", told=(time,), rollover=rolled, p_chance=rolled.p_chance
        )
    return agreed or _scattered(case)


def _agreement(case: _Case) -> Verdict | None:
    """What the lives agree in better than chance would; None if in nothing."""
    tries = len(case.groups)
    tight = [
        group
        for group in case.groups
        if _is_tight(group.leader) and tries * group.leader.p_chance <= ALPHA
    ]
    agreeing = [group for group in tight if not group.leader.refuted]
    if not agreeing:
        return _survived(case, tight) if tight else None
    winner = min(agreeing, key=lambda group: group.leader.spread)
    rivals = _rivals(case, winner)
    p_chance = tries * winner.leader.p_chance
    names = {name for group in (winner, *rivals) for name in group.names}
    if TIME in names and not case.driven:
        told = (winner.member(TIME),)
        return replace(case.open, why="nothing counted", told=told, p_chance=p_chance)
    if TIME in names and (case.driven in names or not (winner.has_time or _of_others(winner))):
        return _confounded(case, winner, rivals, p_chance)
    return _told(case, (winner, *rivals), p_chance)


def _told(case: _Case, groups: Sequence[Paced], p_chance: float) -> Verdict:
    """The simplest of what the winner and its rivals hold; the rest is told beside it."""
    members = {m.name: m for group in groups for m in group.members}
    name, *alike = sorted(members, key=preference)
    first = members[name]
    kind: Kind = "time" if name == TIME else "quantity" if name.startswith(BYTES) else "count"
    return replace(
        case.open,
        kind=kind,
        told=(first,),
        alike=tuple(alike),
        p_chance=p_chance,
        near=_near(first.low, first.high, name),
    )


def _of_others(group: Paced) -> bool:
    """Whether all of it is counted of others: their own pace is a clock's as a rule."""
    return all(is_of_others(name) for name in group.names)


def _is_tight(candidate: Candidate) -> bool:
    """Whether the lives that failed could all have ended at one value of it."""
    return candidate.ratio <= _WIDEST_LIMIT


def _survived(case: _Case, tight: Sequence[Paced]) -> Verdict:
    """What failed agrees, and others went on beyond: no fixed limit, unless they were mended."""
    group = min(tight, key=lambda group: group.leader.spread)
    names = [name for name in (case.driven, *group.names) if name in group.names]
    first = group.member(names[0])
    return replace(
        case.open,
        why="survived",
        told=(first,),
        alike=tuple(name for name in group.names if name != first.name),
        p_chance=len(case.groups) * group.leader.p_chance,
        survivors=tuple(dict.fromkeys(case.censored[k].run for k in first.survivors)),
    )


def _rivals(case: _Case, winner: Paced) -> list[Paced]:
    """Others that agree too, and not so much worse that they are told apart."""
    widest = spread_needed(len(case.failed)) * winner.leader.spread
    return [
        group
        for group in case.groups
        if group is not winner
        and not group.leader.refuted
        and (_never_varied(case, group) or _is_rival(group, widest))
    ]


def _is_rival(group: Paced, widest: float) -> bool:
    leader = group.leader
    return _is_tight(leader) and leader.p_chance <= _VIABLE and leader.spread < widest


def _never_varied(case: _Case, group: Paced) -> bool:
    """Whether the count somebody sets the rate of was the same in all lives: nothing refutes it.

    A count of few is too coarse to prove anything, but no finer time is told from it either.
    """
    driven = next((one for one in group.members if one.name == case.driven), None)
    return driven is not None and driven.low == driven.high


def _confounded(case: _Case, winner: Paced, rivals: Sequence[Paced], p_chance: float) -> Verdict:
    groups = (winner, *rivals)
    members = {m.name: m for group in groups for m in group.members}
    count = case.driven if case.driven in members else winner.names[0]
    told = (members[count], members[TIME])
    return replace(
        case.open,
        kind="confounded",
        told=told,
        alike=tuple(sorted(set(members) - {count, TIME}, key=preference)),
        p_chance=p_chance,
        near=_near(told[0].low, told[0].high, count),
    )


def _scattered(case: _Case) -> Verdict:
    """Nothing agrees: at random, if the spread is that of chance and enough failed to tell."""
    fits = [_fit(case, name) for name in (TIME, case.driven) if name]
    shape = fits[0].interval if fits[0] is not None else None
    memoryless = [
        fit is not None and fit.p_memoryless > _VIABLE and fit.interval.high < _WIDEST_SHAPE
        for fit in fits
    ]
    if len(case.failed) >= _FEWEST_RANDOM and all(memoryless):
        return replace(case.open, kind="random", shape=shape)
    best = min(case.groups, key=lambda group: group.leader.p_chance, default=None)
    if best is not None and _is_tight(best.leader):
        return _by_chance(case, best, shape)
    wears = fits[0] is not None and fits[0].p_memoryless <= _VIABLE and fits[0].interval.low > 1
    return replace(case.open, why="wears out" if wears else "no agreement", shape=shape)


def _by_chance(case: _Case, best: Paced, shape: Interval | None) -> Verdict:
    """They agree, but so few may do so by chance."""
    first = best.member(best.names[0])
    return replace(
        case.open,
        why="too few",
        told=(first,),
        alike=tuple(name for name in best.names if name != first.name),
        p_chance=min(1.0, len(case.groups) * best.leader.p_chance),
        shape=shape,
    )


def _fit(case: _Case, name: str) -> Shape | None:
    def age(life: Life) -> float:
        return life.age_ns if name == TIME else life.counts.get(name, 0.0)

    failed = [age(life) for life in case.failed]
    censored = [value for life in case.censored if (value := age(life)) > 0]
    return weibull_shape(failed, censored) if min(failed) > 0 else None
