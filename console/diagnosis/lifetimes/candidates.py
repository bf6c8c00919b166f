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
    exposed: Floats  # [n] the part of each value in which the life could end
    survived: Floats = field(default_factory=lambda: np.empty(0, np.float64))  # [m] the others'
    survivors: tuple[int, ...] = ()  # which of those went on well beyond

    @property
    def ratio(self) -> float:
        """The greatest that longest over shortest may be."""
        return upper_ratio(self.values.tolist(), self.steps.tolist(), self.exposed.tolist())

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
    share = _column(life.exposed_share for life in failed)
    found = [_candidate(TIME, elapsed, elapsed * open_share, elapsed * share, survived)]
    common = set.intersection(*(set(life.counts) for life in failed))
    for name in sorted(common):
        values = _column(life.counts[name] for life in failed)
        survived = _column(life.counts.get(name, 0.0) for life in censored)
        steps = np.maximum(1.0, values * open_share)
        found.append(_candidate(name, values, steps, values * share, survived))
    return [each for each in found if _can_tell(each)]


def _column(numbers: Iterable[float]) -> Floats:
    return np.array(list(numbers), np.float64)


def _candidate(
    name: str, values: Floats, steps: Floats, exposed: Floats, survived: Floats
) -> Candidate:
    """Well beyond: by more than the failed lives differ among themselves."""
    beyond = (values + steps).max() + np.ptp(values)
    survivors = tuple(np.flatnonzero(survived > beyond).tolist())
    return Candidate(name, values, steps, exposed, survived, survivors)


def _can_tell(candidate: Candidate) -> bool:
    if candidate.low <= 0:
        return False
    best = 1 + float((candidate.steps / candidate.values).max())
    return candidate.name == TIME or chance_agreement(len(candidate.values), best) <= _USELESS


def paced(found: Sequence[Candidate]) -> list[Paced]:
    """Put candidates in one proportion together; whoever is finest leads.

    Two are in one proportion when one factor between them fits all lives, also those that had not
    failed, within a thousandth and what their steps leave open.
    """
    if not found:
        return []
    coarse = [_coarseness(each) for each in found]
    order = sorted(range(len(found)), key=lambda k: (coarse[k], preference(found[k].name)))
    rows = _Rows.of(found)
    leaders: list[int] = []
    groups: dict[int, list[Candidate]] = {}
    for k in order:
        leader = next(iter(rows.in_proportion(leaders, k)), None)
        if leader is None:
            leaders.append(k)
        groups.setdefault(k if leader is None else leader, []).append(found[k])
    return [Paced(group[0], tuple(group)) for group in groups.values()]


def _coarseness(candidate: Candidate) -> float:
    """Rounded, so that what is as fine as time does not go before it."""
    return round(float(np.median(candidate.steps / candidate.values)), 6)


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Candidates as rows over all lives; not-a-number where a life has none of it."""

    logs: Floats  # [c, n + m]
    left_open: Floats  # [c, n + m] by how much the logarithm may have grown until the true end

    @classmethod
    def of(cls, found: Sequence[Candidate]) -> _Rows:
        values = np.array([[*each.values, *each.survived] for each in found], np.float64)
        steps = np.array([[*each.steps, *np.ones(len(each.survived))] for each in found])
        values[values <= 0] = np.nan
        return cls(np.log(values), steps / values)

    def in_proportion(self, leaders: Sequence[int], k: int) -> list[int]:
        """The leaders of which row k is a multiple."""
        if not leaders:
            return []
        chosen = np.array(leaders)
        ratio = self.logs[chosen] - self.logs[k]
        low = np.nanmax(ratio - self.left_open[k], axis=1)
        high = np.nanmin(ratio + self.left_open[chosen], axis=1)
        fits: list[int] = chosen[low <= high + _PACE].tolist()
        return fits
