"""Kinds of event that carry equal numbers close together in time.

Half of the pairs must lie within a stretch of delays that chance would not fill, and the pairs must
be a good part of the rarer kind. Delays that wander tell of two counters that run beside each other
and have nothing in common but their pace. Of several numbers that two kinds share, the one that
pairs most of their events and tells them apart best joins them.

What comes later by more than the bands is the effect. Within them, values go from the wire to the
print to the message, unless nearly all come the other way round and their delays have the long tail
of delays at that end, as those of a command have.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.links.chance import FINEST_NS, beyond_chance, crowd
from console.timeline.links.joins import Delays, Joined, Keyed, Relation, joined
from console.timeline.links.kinds import EventKind
from console.timeline.links.numbers import Number

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

PROBES = 32  # events of a number looked up at first
PROBED_SHARE = 0.25  # of them that must be found for a closer look
LOOKED_AT = 2_048  # events of the rarer kind looked at closely
NEIGHBOURS = 32  # of them that stand side by side
SHARE = 0.4  # of the rarer kind's events that must be paired


@dataclass(frozen=True, slots=True, eq=False)
class _Numbered:
    """One number of one kind, ready to be looked up."""

    kind: EventKind
    place: int  # among the numbers of the kind
    index: Keyed

    @property
    def number(self) -> Number:
        return self.kind.numbers[self.place]


def by_value(kinds: Sequence[EventKind]) -> Iterator[Relation]:
    """The relations between kinds that carry equal values."""
    numbered = [
        _Numbered(kind, place, Keyed(kind.done_ns, number.values))
        for kind in kinds
        for place, number in enumerate(kind.numbers)
    ]
    best: dict[tuple[int, int], tuple[_Shared, _Numbered, _Numbered]] = {}
    for often, rare in _probed(numbered):
        shared = _shared(rare, often)
        if shared is None:
            continue
        pair = id(rare.kind), id(often.kind)
        if pair not in best or shared.worth > best[pair][0].worth:
            best[pair] = shared, rare, often
    for shared, rare, often in best.values():
        yield from _related(shared, rare, often)


def _probed(numbered: Sequence[_Numbered]) -> Iterator[tuple[_Numbered, _Numbered]]:
    """Pairs of numbers, the more frequent first, that a few events of the rarer one agree on."""
    if not numbered:
        return
    some = [np.linspace(0, len(each.kind) - 1, PROBES).astype(int) for each in numbered]
    owner = np.repeat(np.arange(len(numbered)), PROBES)
    pairs = list(zip(numbered, some, strict=True))
    keys = np.concatenate([each.number.values[at] for each, at in pairs])
    t_ns = np.concatenate([each.kind.done_ns[at] for each, at in pairs])
    sizes = np.array([len(each.kind) for each in numbered])
    for k, often in enumerate(numbered):
        delay = _nearest(often.index, keys, t_ns)
        inside = often.kind.covers(t_ns) & ~np.isnan(keys)
        hits = np.bincount(owner[inside & (np.abs(delay) <= often.kind.reach_ns)],
                           minlength=len(numbered))  # fmt: skip
        asked = np.bincount(owner[inside], minlength=len(numbered))
        rarer = (sizes < sizes[k]) | ((sizes == sizes[k]) & (np.arange(len(sizes)) < k))
        for j in np.flatnonzero(rarer & (hits >= np.maximum(1, PROBED_SHARE * asked))).tolist():
            if _may_join(often.kind, numbered[j].kind):
                yield often, numbered[j]


def _may_join(one: EventKind, other: EventKind) -> bool:
    """Whether what one kind carries may have come from the other.

    Events of one rank and source are one party's own doing; but a message may answer another that
    stands beside it under the same topic.
    """
    if (one.rank, one.source) != (other.rank, other.source):
        return True
    parent, _, _ = one.subject.rpartition("/")
    beside = parent != "" and parent == other.subject.rpartition("/")[0]
    return one.table == "messages" and beside and one.subject != other.subject


_NO_EVENT = np.int64(2**62)


def _nearest(index: Keyed, keys: Floats | None, t_ns: Int64s) -> Int64s:
    """How long after each time the nearest event with its value comes; far where there is none."""
    before, after = index.around(index.spans(keys, len(t_ns)), t_ns)
    since = np.where(before >= 0, index.t_ns[before] - t_ns, -_NO_EVENT)
    until = np.where(after >= 0, index.t_ns[after] - t_ns, _NO_EVENT)
    return np.where(-since <= until, since, until)


@dataclass(frozen=True, slots=True, eq=False)
class _Shared:
    """What two numbers have in common: how long after the rarer the more frequent comes."""

    delays_ns: Int64s  # of the pairs
    bands_ns: int  # usual, of both
    worth: tuple[int, float, bool, int]  # of two numbers of the same kinds, the better is greater


def _shared(rare: _Numbered, often: _Numbered) -> _Shared | None:
    """What the two have in common, if it is more than chance."""
    there = often.kind.covers(rare.kind.done_ns) & ~np.isnan(rare.number.values)
    inside = np.flatnonzero(there)
    if not len(inside):
        return None
    at = inside[_in_rows(len(inside))]
    delays = _nearest(often.index, rare.number.values[at], rare.kind.done_ns[at])
    delays = delays[np.abs(delays) <= often.kind.reach_ns]
    count = len(delays)
    if count < max(3, SHARE * len(at)):
        return None
    half = (count + 1) // 2
    low, high = crowd(delays, half)
    alike = max(often.number.alike, 1 / len(often.kind))
    by_chance = (high - low + FINEST_NS) * often.kind.rate * alike
    bands = 0
    if rare.kind.source != often.kind.source:
        bands = int(np.median(rare.kind.band_ns[at]) + np.median(often.kind.band_ns))
    wanders = _wanders(delays, max(bands, often.kind.gap_ns // 4))
    if wanders or not beyond_chance(half, len(at), by_chance):
        return None
    same_name = rare.number.name == often.number.name
    worth = (count, -max(rare.number.alike, often.number.alike), same_name, -rare.place)
    return _Shared(delays, bands, worth)


def _in_rows(count: int) -> Int64s:
    """Places to look at: all, or rows of neighbours spread over the whole."""
    if count <= LOOKED_AT:
        return np.arange(count)
    first = np.linspace(0, count - NEIGHBOURS, LOOKED_AT // NEIGHBOURS).astype(np.int64)
    return (first[:, np.newaxis] + np.arange(NEIGHBOURS)).ravel()


def _wanders(delays: Int64s, allowed_ns: int) -> bool:
    """Whether delays change slowly and far: two counters that only happen to keep pace do so."""
    spread = np.median(np.abs(delays - np.median(delays)))
    steps = np.median(np.abs(np.diff(delays)))
    return bool(spread > allowed_ns and steps < spread / 2)


def _related(shared: _Shared, rare: _Numbered, often: _Numbered) -> Iterator[Relation]:
    """The relation of two kinds, where it can be said which is the cause."""
    one, other = rare, often
    delays = shared.delays_ns
    if (one.kind.rank, -float(np.median(delays))) > (other.kind.rank, 0.0):
        one, other, delays = other, one, -delays  # now the lower rank first, or the earlier
    if one.kind.rank == other.kind.rank and np.median(delays) <= shared.bands_ns:
        return
    if _runs_backwards(delays, shared.bands_ns):
        one, other, delays = other, one, -delays
    usual = Delays.of(delays, _most_ns(one, other))
    names = one.number.name, other.number.name
    by = names[0] if names[0] == names[1] else " = ".join(names)
    found = joined(one.kind, other.kind, one.index, other.number.values, usual)
    if found.count:
        yield Relation(one.kind, other.kind, by, _seen(one, other, found, usual), found)


def _runs_backwards(delays: Int64s, bands_ns: int) -> bool:
    """Whether what usually is the effect comes first."""
    low, middle, high = np.quantile(delays, (0.05, 0.5, 0.95))
    if abs(middle) > bands_ns:
        return bool(middle < 0)
    return bool(high < 0 and middle - low > high - middle)


def _most_ns(cause: _Numbered, effect: _Numbered) -> int:
    """Beyond this, an equal value is that of another time round."""
    limit = max(cause.kind.reach_ns, effect.kind.reach_ns)
    recurs = cause.index.recurs_ns()
    return limit if recurs is None else min(limit, recurs // 2)


def _seen(cause: _Numbered, effect: _Numbered, found: Joined, before: Delays) -> Delays:
    """The delays of what was joined; from the end of causes, where they were learned as well."""
    k = np.flatnonzero(found.cause >= 0)
    delays = effect.kind.from_ns[k] - cause.kind.done_ns[found.cause[k]]
    return Delays.of(delays, before.most_ns)
