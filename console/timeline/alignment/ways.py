"""The ways to pair one value of a source with one on the axis, and what each of them says."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchors import Reason, Shared
from console.timeline.alignment.decisions import Named, Placed, SourceDecisions
from console.timeline.alignment.pairing import Pairs, Seen, pairs_of
from console.timeline.alignment.rough import RoughLine, rough_line
from console.timeline.alignment.series import Series

Int64s = npt.NDArray[np.int64]

# How much one pair says, beside a pair of two counters that are called differently.
KNOWN = 20  # a line of text, or what the user named
SAME_NAME = 3  # "poll" printed and "poll" in a message are likelier one counter
READINGS = 5  # three readings in a row hardly meet by chance
AGREE_NS = 50_000_000  # two lines nearer than this, and their spreads, are one
NEIGHBOURS = 15  # pairs about a moment whose middle gap is the gap there; some may be wrong


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """One way to pair one value of the source with one on the axis."""

    shared: Shared
    pairs: Pairs
    line: RoughLine
    worth: int  # of one pair
    side: int  # +1: the source's event follows the other, as far as its kind tells
    side_is_sure: bool
    slack_ns: int  # band of the other events

    @property
    def weight(self) -> float:
        """What all pairs of its crowd say together; pairs outside it speak against it."""
        kept = int(self.line.kept.sum())
        return self.worth * kept * kept / len(self.pairs)

    def agrees_with(self, other: Way) -> bool:
        """Whether most of its crowd lies along the other's line."""
        kept = self.line.kept
        off = np.abs(other.line.off_ns(self.pairs.own_ns[kept], self.pairs.other_ns[kept]))
        return bool(np.median(off) <= self.line.spread_ns + other.line.spread_ns + AGREE_NS)

    def off_ns(self, placed: Placed) -> float:
        """How far its pairs about a moment are from where the user placed that."""
        away = np.abs(self.pairs.own_ns - placed.native_ns)
        near = np.argsort(away, kind="stable")[:NEIGHBOURS]
        gap = np.median(self.pairs.other_ns[near] - self.pairs.own_ns[near])
        return float(abs(gap - placed.gap_ns))


@dataclass(frozen=True, slots=True, eq=False)
class Aside:
    """Pairs of one value that are told, and tie nothing."""

    shared: Shared
    pairs: Pairs
    side: int
    reason: Reason


@dataclass(slots=True)
class Decided:
    """What was decided about one source's anchors, and the pairs it took out so far."""

    rejected: Named
    accepted: Named
    aside: list[Aside] = field(default_factory=list)

    @classmethod
    def of(cls, decisions: SourceDecisions) -> Decided:
        """With nothing taken out yet."""
        return cls(Named(decisions.rejected), Named(decisions.accepted))

    def left(self, shared: Shared, pairs: Pairs, side: int) -> Pairs:
        """The pairs that were not rejected; those that were are put aside."""
        hit = self.rejected.among(shared.name, shared.other, pairs.own_ns)
        if hit is None or not hit.any():
            return pairs
        self.aside.append(Aside(shared, pairs.taken(hit), side, Reason.REJECTED))
        return pairs.taken(~hit)

    def give_up(self, shared: Shared, pairs: Pairs, side: int) -> None:
        """Put aside which of the pairs were accepted, although they tie nothing."""
        hit = self.accepted.among(shared.name, shared.other, pairs.own_ns)
        if hit is not None and hit.any():
            self.aside.append(Aside(shared, pairs.taken(hit), side, Reason.IMPOSSIBLE))


def ways_of(
    own: Series,
    seen: Seen,
    other: Series,
    runs: Sequence[Seen],
    slack_ns: int,
    side: int,
    decided: Decided,
) -> Iterator[Way]:
    """Every way to pair a run with the runs of another source's value.

    Args:
        own: a value of the source.
        seen: one of its runs.
        other: a value of the same kind of a source on the axis.
        runs: its runs, on the axis.
        slack_ns: band of its events.
        side: which one usually comes first.
        decided: what the user decided about the source's anchors.
    """
    worth = {"counter": 1, "readings": READINGS}.get(own.kind, KNOWN)
    if own.kind == "counter" and own.name == other.name:
        worth = SAME_NAME
    # Bytes without a name are read after what they say was done, as far as anybody can tell.
    sure = own.kind in ("line", "mark") or "" in (own.name, other.name)
    shared = Shared(own.name, other.source, other.name, own.kind)
    for run in runs:
        for found in pairs_of(seen, run):
            pairs = decided.left(shared, found, side)
            line = rough_line(pairs)
            if line is not None:
                yield Way(shared, pairs, line, worth, side, sure, slack_ns)
            else:
                decided.give_up(shared, pairs, side)
