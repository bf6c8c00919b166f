"""From scores of polls, the last ones among them, to differences corrected for all that was tried.

A kind may measure several things; each is turned into its own tail frequency, the smallest counts,
and that is again compared with the healthy polls. So however many bytes or templates a kind looks
at, it says "as odd as this" at the frequency it says.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from console.diagnosis.before.difference import NOTICED_BELOW, Difference, Said
from console.diagnosis.before.kinds import BAD, BEFORE, KINDS, LAST, POLLS_BEFORE, THROUGH, places
from console.diagnosis.before.statistics import Floats, Truths, as_odd


@dataclass(frozen=True, slots=True, eq=False)
class Units:
    """What is compared: polls, or windows as long as one; n in time order."""

    healthy: Truths  # [n] answered, and so was the next: none of the final ones
    last: int  # the last good one
    bad: int | None = None  # a unit of the first unanswered transaction alone, if there is one


@dataclass(frozen=True, slots=True, eq=False)
class Measure:
    """One measure of n units."""

    scores: Floats  # [n] 0 is usual, larger is odder
    said: Callable[[int], Said]  # about a unit whose score is not 0


@dataclass(frozen=True, slots=True, eq=False)
class Kind:
    """All measures of one kind, of the same units."""

    name: str  # one of KINDS
    units: Units
    measures: Sequence[Measure]


@dataclass(frozen=True, slots=True)
class Tested:
    """A kind that brings a chance of its own instead of scores of polls."""

    name: str
    said: Said
    chance: float
    of: int  # values it was worked out from


def judged(found: Sequence[Kind | Tested], names: Sequence[str]) -> list[Difference]:
    """Everything that is odd, most surprising first after correction.

    Args:
        found: what was measured.
        names: every kind that was looked at, with a measure or without.
    """
    total = sum(KINDS[name] for name in names)
    differences = []
    for kind in found:
        share = KINDS[kind.name] / total
        if isinstance(kind, Tested):
            p = min(1.0, kind.chance / share)
            one = Difference(kind.name, kind.said, THROUGH, 0, kind.of, p, kind.chance)
            differences.append(one)
            continue
        for when, seen, of, said in _judged(kind):
            p = min(1.0, (seen + 1) / (of + 1) / (share * places(kind.name)[when]))
            differences.append(Difference(kind.name, said, when, seen, of, p))
    return sorted(differences, key=lambda d: (d.p, d.frequency))


_One = tuple[str, int, int, Said]


def _judged(kind: Kind) -> Iterator[_One]:
    units = kind.units
    healthy = units.healthy
    if not healthy.any() or not kind.measures:
        return
    each = [_surprise(measure.scores, healthy) for measure in kind.measures]
    whole = np.max(each, axis=0)
    wheres = {LAST: units.last, BAD: units.bad}
    for when in places(kind.name):
        if when == BEFORE:
            yield from _before(kind, each, whole, healthy)
            continue
        at = wheres[when]
        if at is None or not whole[at]:
            continue
        seen = int(as_odd(whole[at : at + 1], whole[healthy])[0])
        of = int(healthy.sum())
        if (seen + 1) / (of + 1) <= NOTICED_BELOW:
            yield when, seen, of, kind.measures[_oddest(each, at)].said(at)


def _before(kind: Kind, each: Sequence[Floats], whole: Floats, healthy: Truths) -> Iterator[_One]:
    """The polls before the last good one, as one, among all such runs of healthy polls."""
    last, n = kind.units.last, POLLS_BEFORE
    if last < n:
        return
    runs = np.lib.stride_tricks.sliding_window_view(whole[:last], n)
    sound = np.lib.stride_tricks.sliding_window_view(healthy[:last], n).all(axis=1)
    highest = runs.max(axis=1)
    at = last - n + int(runs[-1].argmax())
    seen, of = int(as_odd(highest[-1:], highest[sound])[0]), int(sound.sum())
    if whole[at] and (seen + 1) / (of + 1) <= NOTICED_BELOW:
        yield BEFORE, seen, of, kind.measures[_oddest(each, at)].said(at)


def _surprise(scores: Floats, healthy: Truths) -> Floats:
    """float64[n]: -log10 of the smoothed tail frequency of each score; 0 where it is 0."""
    among = scores[healthy]
    odd = np.log10((1 + len(among)) / (1 + as_odd(scores, among)))
    return np.where(scores > 0, odd, 0.0)


def _oddest(each: Sequence[Floats], at: int) -> int:
    return int(np.argmax([surprise[at] for surprise in each]))
