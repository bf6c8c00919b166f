"""What may have run out: elapsed time and every count, those that move together taken as one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from console.diagnosis.lifetimes.agreement import chance_agreement, log_spread, upper_ratio
from console.diagnosis.lifetimes.lives import BYTES, POLLS, Life

Floats = npt.NDArray[np.float64]

TIME = "time"
# Two clocks may differ by so much, so counts that differ less are paced by one of them.
_PACE = 1e-3
_OF_OTHERS = (
    "bytes on ",
    "happenings: ",
    "messages on ",
    "prints like ",
    "prints on ",
    "transactions of ",
    "transactions on ",
)
# What could not be told from chance even if it agreed to the last count is not tried.
_USELESS = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """Time or one count, over the lives that failed."""

    name: str
    values: Floats  # [n] at the last good transaction of each; ns or counts
    steps: Floats  # [n] by how much it may have grown until the true end
    survived: Floats = field(default_factory=lambda: np.empty(0, np.float64))  # [m] the others'
    survivors: tuple[int, ...] = ()  # which of those went on well beyond

    @property
    def ratio(self) -> float:
        """The greatest that longest over shortest may be."""
        return upper_ratio(self.values.tolist(), self.steps.tolist())

    @property
    def spread(self) -> float:
        """Standard deviation of its logarithm over the lives."""
        return log_spread(self.values.tolist(), self.steps.tolist())

    @property
    def p_chance(self) -> float:
        """Probability of such an agreement if they ended at random; of this one alone."""
        cut_off = len(self.survived) > 0
        return chance_agreement(len(self.values), self.ratio, cut_off=cut_off)

    @property
    def refuted(self) -> bool:
        """Whether a life went on well beyond where the others ended."""
        return bool(self.survivors)

    @property
    def low(self) -> float:
        """The least at which one ended."""
        return float(self.values.min())

    @property
    def high(self) -> float:
        """The greatest at which one ended."""
        return float(self.values.max())


@dataclass(frozen=True, slots=True, eq=False)
class Paced:
    """Candidates in one proportion over all lives: they cannot be told apart, and count as one."""

    leader: Candidate  # the finest of them, by which they are judged
    members: tuple[Candidate, ...]  # leader first

    @property
    def names(self) -> tuple[str, ...]:
        """Of its members, time and polls first."""
        return tuple(sorted((m.name for m in self.members), key=preference))

    @property
    def has_time(self) -> bool:
        """Whether time is one of them."""
        return any(member.name == TIME for member in self.members)

    def member(self, name: str) -> Candidate:
        """The candidate of that name."""
        return next(member for member in self.members if member.name == name)


def preference(name: str) -> tuple[int, str]:
    """Order in which names are told: time, polls, the part's own counts, those of others."""
    rank = {TIME: 0, POLLS: 1}.get(name)
    if rank is None:
        rank = 4 if is_of_others(name) else 3 if name.startswith(BYTES) else 2
    return rank, name


def is_of_others(name: str) -> bool:
    """Whether it counts what the part itself has no share in, or may have none."""
    return name.startswith(_OF_OTHERS)


def candidates(failed: Sequence[Life], censored: Sequence[Life] = ()) -> list[Candidate]:
    """Time, and each count that every failed life has, if its agreement could tell anything."""
    if not failed:
        return []
    open_share = np.array([life.open_share for life in failed], np.float64)
    elapsed = _column(life.age_ns for life in failed)
    survived = _column(life.age_ns for life in censored)
    found = [_candidate(TIME, elapsed, elapsed * open_share, survived)]
    common = set.intersection(*(set(life.counts) for life in failed))
    for name in sorted(common):
        values = _column(life.counts[name] for life in failed)
        survived = _column(life.counts.get(name, 0.0) for life in censored)
        found.append(_candidate(name, values, np.maximum(1.0, values * open_share), survived))
    return [each for each in found if _can_tell(each)]


def _column(numbers: Iterable[float]) -> Floats:
    return np.array(list(numbers), np.float64)


def _candidate(name: str, values: Floats, steps: Floats, survived: Floats) -> Candidate:
    """Well beyond: by more than the failed lives differ among themselves."""
    beyond = (values + steps).max() + np.ptp(values)
    survivors = tuple(np.flatnonzero(survived > beyond).tolist())
    return Candidate(name, values, steps, survived, survivors)


def _can_tell(candidate: Candidate) -> bool:
    if candidate.low <= 0:
        return False
    best = 1 + float((candidate.steps / candidate.values).max())
    return candidate.name == TIME or chance_agreement(len(candidate.values), best) <= _USELESS


def paced(found: Sequence[Candidate]) -> list[Paced]:
    """Put candidates in one proportion together; whoever is finest leads.

    Two are in one proportion when their ratio is the same in all lives, but for a thousandth and
    for what their steps leave open.
    """
    groups: list[list[Candidate]] = []
    for each in sorted(found, key=lambda c: (_coarseness(c), preference(c.name))):
        group = next((g for g in groups if _in_proportion(g[0], each)), None)
        if group is None:
            groups.append([each])
        else:
            group.append(each)
    return [Paced(group[0], tuple(group)) for group in groups]


def _coarseness(candidate: Candidate) -> float:
    """Rounded, so that what is as fine as time does not go before it."""
    return round(float(np.median(candidate.steps / candidate.values)), 6)


def _in_proportion(a: Candidate, b: Candidate) -> bool:
    ratio = np.log(a.values) - np.log(b.values)
    left_open = float((a.steps / a.values).max() + (b.steps / b.values).max())
    both = (a.survived > 0) & (b.survived > 0)
    beyond = np.log(a.survived[both]) - np.log(b.survived[both])
    if len(beyond):
        left_open += float((1 / a.survived[both] + 1 / b.survived[both]).max())
    return float(np.ptp(np.concatenate([ratio, beyond]))) <= _PACE + left_open
