"""Which cause each effect had: the nearest event that carries the same value.

An effect comes a usual time after its cause, so of several events with its value the one whose
effect was due nearest to it is taken. Where another would do as well, within what the clocks' bands
and the spread of that time leave open, the join is ambiguous.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.links.kinds import EventKind

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

NONE = -1
FOLLOWS = "follows"


class Keyed:
    """Events by the value they carry, then by time: n of them, those without a value left out."""

    def __init__(self, t_ns: Int64s, keys: Floats | None) -> None:
        """Index the events.

        Args:
            t_ns: int64[m] when each was complete, in any order.
            keys: float64[m] values, not-a-number where there is none; None: all carry one.
        """
        self.all_alike = keys is None
        values = np.zeros(len(t_ns)) if keys is None else keys
        at = np.flatnonzero(~np.isnan(values))
        t_ns, values = t_ns[at], values[at]
        rising = bool((t_ns[1:] >= t_ns[:-1]).all())  # then a stable sort keeps them in time
        order = np.argsort(values, kind="stable") if rising else np.lexsort((t_ns, values))
        self.at: Int64s = at[order]  # [n] places among the events given
        self.t_ns: Int64s = t_ns[order]
        self.keys: Floats = values[order]

    def around(self, spans: tuple[Int64s, Int64s], t_ns: Int64s) -> tuple[Int64s, Int64s]:
        """Places in the index of the last event up to each time and the first after it.

        Args:
            spans: two int64[k], where the events begin and end that are looked at for each.
            t_ns: int64[k].

        Returns:
            Two int64[k]; NONE where there is no such event.
        """
        low, high = spans
        after = low.copy()
        if self.all_alike:
            after = np.searchsorted(self.t_ns, t_ns, side="right")
        else:
            self._bisect(after, high.copy(), t_ns)
        return np.where(after > low, after - 1, NONE), np.where(after < high, after, NONE)

    def spans(self, keys: Floats | None, k: int) -> tuple[Int64s, Int64s]:
        """Where in the index the events begin and end that carry each of k values.

        Args:
            keys: float64[k]; None when all events carry one.
            k: how many.
        """
        if keys is None:
            return np.zeros(k, np.int64), np.full(k, len(self.t_ns), np.int64)
        low = np.searchsorted(self.keys, keys)
        high = np.searchsorted(self.keys, keys, side="right")
        high[np.isnan(keys)] = low[np.isnan(keys)] = 0
        return low, high

    def _bisect(self, low: Int64s, high: Int64s, t_ns: Int64s) -> None:
        """Move `low` to the first place in [low, high) later than each time, or to its end."""
        left = np.flatnonzero(low < high)
        while len(left):
            middle = (low[left] + high[left]) >> 1
            earlier = self.t_ns[middle] <= t_ns[left]
            low[left[earlier]] = middle[earlier] + 1
            high[left[~earlier]] = middle[~earlier]
            left = left[low[left] < high[left]]

    def recurs_ns(self) -> int | None:
        """The usual time until a value comes again; None where most never do.

        A message sent twice is no recurrence that matters: the values go on.
        """
        again = np.flatnonzero(self.keys[1:] == self.keys[:-1])
        if 2 * len(again) < len(self.keys):
            return None
        return int(np.median(self.t_ns[again + 1] - self.t_ns[again]))


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """The cause of each of k effects."""

    cause: Int64s  # [k] place among the causes' events; NONE
    ambiguous: Bools  # [k]
    again: Bools  # [k] repeats an effect that its cause had already had

    @property
    def count(self) -> int:
        """How many effects have a cause."""
        return int((self.cause >= 0).sum())

    def have(self, causes: int) -> Bools:
        """bool[causes]: which causes had an effect."""
        found = np.zeros(causes, np.bool_)
        found[self.cause[self.cause >= 0]] = True
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Delays:
    """How long after its cause an effect comes; ns."""

    usual_ns: int
    early_ns: int  # of twenty effects one comes sooner
    late_ns: int  # of twenty effects one comes later
    most_ns: int  # later than this it is the effect of something else

    @classmethod
    def of(cls, delays: Int64s, most_ns: int) -> Delays:
        """What some observed delays say."""
        early, usual, late = np.quantile(delays, (0.05, 0.5, 0.95)).round().astype(np.int64)
        return cls(int(usual), int(early), int(late), most_ns)


def bands_ns(cause: EventKind, effect: EventKind, at: Int64s, k: Int64s | slice) -> Int64s:
    """How well the time from causes `at` to effects `k` is known; exact on one clock."""
    if cause.source == effect.source:
        return np.zeros(len(at), np.int64)
    return cause.band_ns[at] + effect.band_ns[k]


def slack_ns(cause: EventKind, effect: EventKind, at: Int64s) -> Int64s:
    """How well the time from causes `at` to an effect that is not there would be known."""
    if cause.source == effect.source:
        return np.zeros(len(at), np.int64)
    return cause.band_ns[at] + np.int64(np.median(effect.band_ns))


def joined(
    cause: EventKind,
    effect: EventKind,
    index: Keyed,
    effect_keys: Floats | None,
    delays: Delays,
) -> Joined:
    """Join every effect to the event that caused it.

    An effect never comes before its cause by more than their bands, nor later than `most_ns`.

    Args:
        cause: events that may be causes.
        effect: k events that may be their effects.
        index: the causes by their values; of one value, they are joined by time alone.
        effect_keys: float64[k], the values of the effects; None where all have that one.
        delays: of such effects.
    """
    low, high = spans = index.spans(effect_keys, len(effect))
    first, second = index.around(spans, effect.from_ns - delays.usual_ns)
    off_first = _off(index, first, cause, effect, delays)
    off_second = _off(index, second, cause, effect, delays)
    place = np.where(off_first <= off_second, first, second)
    found = np.minimum(off_first, off_second) < _NEVER
    chosen = np.full(len(effect), NONE, np.int64)
    chosen[found] = index.at[place[found]]
    ambiguous = np.zeros(len(effect), np.bool_)
    spread = max(delays.late_ns - delays.usual_ns, delays.usual_ns - delays.early_ns)
    for beside in (place - 1, place + 1):
        other = np.where((beside >= low) & (beside < high), beside, NONE)
        off = _off(index, other, cause, effect, delays)
        bands = np.zeros(len(effect), np.int64)
        there = np.flatnonzero(other >= 0)
        bands[there] = bands_ns(cause, effect, index.at[other[there]], there)
        ambiguous |= found & (off < _NEVER) & (off <= spread + bands)
    return _first_alone(chosen, ambiguous)


_NEVER = np.iinfo(np.int64).max


def _off(
    index: Keyed, place: Int64s, cause: EventKind, effect: EventKind, delays: Delays
) -> Int64s:
    """How far from usual each effect would be; `_NEVER` where it cannot be the effect."""
    off = np.full(len(place), _NEVER, np.int64)
    k = np.flatnonzero(place >= 0)
    delay = effect.from_ns[k] - index.t_ns[place[k]]
    bands = bands_ns(cause, effect, index.at[place[k]], k)
    may = (delay >= -bands) & (delay <= delays.most_ns)
    off[k[may]] = np.abs(delay[may] - delays.usual_ns)
    return off


def _first_alone(chosen: Int64s, ambiguous: Bools) -> Joined:
    """Of the effects of one cause only the first is; the others say it again."""
    again = chosen >= 0
    _, first = np.unique(chosen, return_index=True)
    again[first] = False
    return Joined(np.where(again, NONE, chosen), ambiguous & ~again, again)


@dataclass(frozen=True, slots=True, eq=False)
class Relation:
    """A kind of event, the kind it causes, and which event caused which."""

    cause: EventKind
    effect: EventKind
    by: str  # "sequence = seq", "poll", "follows"
    delays: Delays
    joined: Joined

    @property
    def is_answer(self) -> bool:
        """Whether a message answers a message: both ends are one party."""
        return self.cause.table == self.effect.table == "messages"

    @property
    def is_by_value(self) -> bool:
        """Whether a value joins them, and not time alone."""
        return self.by != FOLLOWS
