"""Kinds of event that always follow another, without a value that says so.

Nine of ten events of each kind must be paired, the effect soon after its cause and within a stretch
of delays that chance would not fill. Two things that one clock does at a fixed distance look just
so; nothing in the times tells them from cause and effect, so only what comes soon is taken
(`SOON`). What comes later by more than the bands is the effect; within them, what stands nearer to
the network.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from console.timeline.links.chance import FINEST_NS, beyond_chance, crowd
from console.timeline.links.joins import FOLLOWS, Delays, Keyed, Relation, joined
from console.timeline.links.kinds import LONGEST_NS, EventKind

SHARE = 0.9  # of both kinds' events that must be paired
LEAST = 10  # events of a kind that follows another
LOOKED_AT = 2_048  # events looked at
SOON = 0.1  # of the usual time to the next cause, within which what follows must come


def following(effect: EventKind, kinds: Sequence[EventKind]) -> Iterator[Relation]:
    """The relations by which a kind always follows another of a different source."""
    for cause in kinds:
        if (cause.rank, cause.source) == (effect.rank, effect.source):
            continue
        delays = _follows(cause, effect)
        if delays is not None:
            found = joined(cause, effect, Keyed(cause.done_ns, None), None, delays)
            if found.count:
                yield Relation(cause, effect, FOLLOWS, delays, found)


def _follows(cause: EventKind, effect: EventKind) -> Delays | None:
    """The delays of effects that always follow a cause; None where they do not."""
    causes = cause.done_ns[effect.covers(cause.done_ns)]
    at = np.flatnonzero(cause.covers(effect.from_ns))
    most, least = max(len(causes), len(at)), min(len(causes), len(at))
    if least < LEAST or least < SHARE * most:
        return None
    bands = 0
    if cause.source != effect.source:
        bands = int(np.median(cause.band_ns) + np.median(effect.band_ns))
    some = at[np.linspace(0, len(at) - 1, min(LOOKED_AT, len(at))).astype(int)]
    t_ns = effect.from_ns[some]
    before = np.searchsorted(causes, t_ns + bands, side="right") - 1
    delays = (t_ns - causes[np.maximum(before, 0)])[before >= 0]
    wanted = math.ceil(SHARE * len(some))
    if len(delays) < wanted:
        return None
    low, high = crowd(delays, wanted)
    close = delays[(delays >= low) & (delays <= high)]
    gap = cause.gap_ns
    backwards = cause.rank >= effect.rank and np.median(close) <= bands
    by_chance = (high - low + FINEST_NS) * effect.rate
    if high > SOON * gap or backwards or not beyond_chance(wanted, len(some), by_chance):
        return None
    return Delays.of(close, min(LONGEST_NS, gap // 2))
