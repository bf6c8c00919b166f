"""Effects that did not come: what nearly always follows a cause, and here did not.

An effect is expected of a kind of cause where, over the better stretches of the run, nearly every
event of that kind had it (`SHARE`; what equal values prove may hold a little less often, as it does
where rows are lost). Of each cause without it one row is told, from the cause nearest to where the
effect was due: if the message is not there, the print before it tells so, and the packet does only
where there is no print either. A request without a reply lacks what replies bring, each once.

Nothing is said where something else came instead: a print of the same words or of words hardly ever
seen, a message beside that topic. Where the source could not have shown the effect, or the effect
was due after the last the source showed at all, it is `not-observed`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from os.path import commonprefix

import numpy as np
import numpy.typing as npt

from console.timeline.links.instead import Instead, Target, target_of
from console.timeline.links.joins import Relation, slack_ns
from console.timeline.links.kinds import EventKind

Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SHARE = 0.95  # of causes that must have an effect for it to be expected
VALUE_SHARE = 0.75  # the same, where equal values prove whose effect it is
LEAST_CAUSES = 20
BLOCKS = 16  # stretches of the run, of at least `LEAST_CAUSES`, the better of which are asked
BETTER = 0.75  # the quantile of their shares that counts
CONDITION = 0.5  # an effect so much rarer under a condition depends on it


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """An effect that a kind of cause nearly always has: one relation, or several that share it.

    It comes `usual_ns` after the cause; of twenty, one before `early_ns` and one after `late_ns`.
    """

    cause: EventKind
    target: Target
    relations: Sequence[Relation]  # a command is printed as `gate left` or as `gate right`
    have: Bools  # [k] which causes had it
    usual_ns: int
    early_ns: int
    late_ns: int

    @property
    def likeliest(self) -> Relation:
        """The relation that most of the effects came by."""
        return max(self.relations, key=lambda relation: relation.joined.count)

    @property
    def what(self) -> str:
        """The kind of the effect; of several, what their names begin with."""
        names = sorted({relation.effect.name for relation in self.relations})
        if len(names) == 1:
            return names[0]
        return commonprefix(names) + ".."  # noqa: RUF071 - of characters, as is meant


@dataclass(frozen=True, slots=True, eq=False)
class Absent:
    """Effects of one kind that did not come, n of them."""

    cause: EventKind
    effect: EventKind  # of a kind that it may have been
    what: str
    by: str
    at: Int64s  # [n] places among the causes
    to_ns: Int64s  # [n] when each was due
    band_ns: Int64s  # [n]
    observed: Bools  # [n] whether it would have been seen

    @property
    def wait_ns(self) -> int:
        """From cause to effect."""
        return int(np.median(self.to_ns - self.cause.done_ns[self.at]))

    def taken(self, which: Bools) -> Absent:
        """Some of them."""
        return replace(
            self,
            at=self.at[which],
            to_ns=self.to_ns[which],
            band_ns=self.band_ns[which],
            observed=self.observed[which],
        )


def expected_of(relations: Sequence[Relation], instead: Instead) -> list[Expected]:
    """What is expected of each kind of cause."""
    by_cause: dict[tuple[int, Target], list[Relation]] = {}
    for relation in relations:
        key = id(relation.cause), target_of(relation.effect)
        by_cause.setdefault(key, []).append(relation)
    found = []
    for (_, target), same in by_cause.items():
        single = [_expected([relation], target, instead) for relation in same]
        found += [each for each in single if each is not None]
        rest = [r for r, each in zip(same, single, strict=True) if each is None]
        together = _expected(rest, target, instead) if len(rest) > 1 else None
        found += [] if together is None else [together]
    return found


def _expected(relations: Sequence[Relation], target: Target, instead: Instead) -> Expected | None:
    """The expectation that some relations make together, if they hold often enough."""
    cause = relations[0].cause
    have = np.zeros(len(cause), np.bool_)
    for relation in relations:
        have |= relation.joined.have(len(cause))
    likely = max(relations, key=lambda relation: relation.joined.count).delays
    early = min(r.delays.early_ns for r in relations)
    late = max(r.delays.late_ns for r in relations)
    found = Expected(cause, target, relations, have, likely.usual_ns, early, late)
    due = cause.done_ns + found.usual_ns
    observed = instead.observed(target, due, due)
    if observed.sum() < LEAST_CAUSES:
        return None
    share = _share(have[observed])
    by_value = all(relation.is_by_value for relation in relations)
    if share >= SHARE:
        return found
    if share < VALUE_SHARE or not by_value or _depends(cause, have, observed):
        return None
    return found


def _share(have: Bools) -> float:
    """How many have it, over the better stretches."""
    length = max(LEAST_CAUSES, len(have) // BLOCKS)
    starts = np.arange(0, len(have) - length + 1, length)
    held = np.concatenate([[0], np.cumsum(have)])
    shares = (held[starts + length] - held[starts]) / length
    return float(np.quantile(shares, BETTER))


def _depends(cause: EventKind, have: Bools, observed: Bools) -> bool:
    """Whether the effect comes only when a number of the cause changed, or is there at all."""
    for number in cause.varied:
        values = number.values[observed]
        changed = np.concatenate([[True], values[1:] != values[:-1]])
        for condition in (changed, values != 0):
            if min(condition.sum(), (~condition).sum()) < LEAST_CAUSES // 4:
                continue
            held = have[observed]
            if abs(held[condition].mean() - held[~condition].mean()) > CONDITION:
                return True
    return False


def absent_effects(expected: Sequence[Expected], instead: Instead) -> list[Absent]:
    """The effects that did not come, of every cause that was seen."""
    told = {(id(each.cause), each.target) for each in expected}
    found = []
    for each in expected:
        lacking = ~each.have & ~instead.repeats(each.cause)
        for other in expected:  # what stands between them tells instead
            for relation in other.relations if other.cause is each.cause else ():
                if (id(relation.effect), each.target) in told:
                    lacking &= ~relation.joined.have(len(each.cause))
        found.append(absent(each.cause, np.flatnonzero(lacking), each, instead))
    return list(_each_once(found))


def absent(
    cause: EventKind, at: Int64s, expected: Expected, instead: Instead, by: str | None = None
) -> Absent:
    """The effects that some causes lack, but for those in whose stead something else came.

    Args:
        cause: the causes.
        at: which of them.
        expected: the effect, and when after these causes it is due.
        instead: what else came.
        by: what tells that it was due; by default what joins those that came.
    """
    effect = expected.likeliest.effect
    slack = slack_ns(cause, effect, at)
    early = cause.done_ns[at] + min(expected.early_ns, 0) - slack
    late = cause.done_ns[at] + expected.late_ns + slack
    silent = ~instead.came(expected.target, effect.name, early, late)
    return Absent(
        cause=cause,
        effect=effect,
        what=expected.what,
        by=expected.likeliest.by if by is None else by,
        at=at,
        to_ns=cause.done_ns[at] + expected.usual_ns,
        band_ns=slack + (expected.late_ns - expected.usual_ns),
        observed=instead.observed(expected.target, early, late),
    ).taken(silent)


def _each_once(found: Iterable[Absent]) -> Iterator[Absent]:
    """Of an effect that events of several kinds lack, only what the nearest of them says."""
    there = [each for each in found if len(each.at)]
    kept: dict[int, list[Absent]] = {}
    for each in sorted(there, key=lambda absent: absent.wait_ns):
        nearer = kept.setdefault(id(each.effect), [])
        alone = ~np.logical_or.reduce([np.zeros(len(each.at), np.bool_)]
                                      + [_is_one_of(each, other) for other in nearer])  # fmt: skip
        rest = each.taken(alone)
        if len(rest.at):
            nearer.append(rest)
            yield rest


def _is_one_of(these: Absent, others: Absent) -> Bools:
    """Which were due at the time of one of the others, as far as can be told."""
    after = np.searchsorted(others.to_ns, these.to_ns)
    found = np.zeros(len(these.at), np.bool_)
    for beside in (after - 1, after):
        k = np.clip(beside, 0, len(others.to_ns) - 1)
        found |= np.abs(others.to_ns[k] - these.to_ns) <= others.band_ns[k] + these.band_ns
    return found
