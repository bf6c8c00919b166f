"""What a user decided about clocks: anchors taken or left out by hand, and one of several offsets.

Decisions are about a run and not about one alignment of it: they name anchors and offsets by what
stands in the sources, so that they hold however the other anchors are decided.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchors import AnchorId
from console.timeline.clocks import ClockPiece

Int64s = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Placed:
    """An offset chosen by hand: at `native_ns` the source's clock is `gap_ns` before the axis.

    Said for one moment, since offsets at 0 move by minutes with the last digit of a drift where 0
    is the year 1970.
    """

    native_ns: int
    gap_ns: int


@dataclass(frozen=True, slots=True)
class SourceDecisions:
    """What was decided about one source."""

    rejected: frozenset[AnchorId] = frozenset()
    accepted: frozenset[AnchorId] = frozenset()
    placed: tuple[Placed, ...] = ()  # of several that fit one stretch, the last one holds

    @property
    def is_empty(self) -> bool:
        """Whether nothing was decided."""
        return not (self.rejected or self.accepted or self.placed)


UNDECIDED = SourceDecisions()


@dataclass(frozen=True, slots=True)
class Decisions:
    """What was decided about the sources of a run; never changed, only replaced.

    An anchor is accepted, rejected or neither. What names no anchor of the run has no effect.
    """

    sources: Mapping[str, SourceDecisions] = field(default_factory=dict)

    def of(self, source: str) -> SourceDecisions:
        """What was decided about one source."""
        return self.sources.get(source, UNDECIDED)

    def rejecting(self, source: str, anchors: Iterable[AnchorId]) -> Decisions:
        """With anchors that are never to be used."""
        own, some = self.of(source), frozenset(anchors)
        return self._with(
            source, replace(own, rejected=own.rejected | some, accepted=own.accepted - some)
        )

    def accepting(self, source: str, anchors: Iterable[AnchorId]) -> Decisions:
        """With anchors that are to be kept wherever that is possible."""
        own, some = self.of(source), frozenset(anchors)
        return self._with(
            source, replace(own, rejected=own.rejected - some, accepted=own.accepted | some)
        )

    def leaving(self, source: str, anchors: Iterable[AnchorId]) -> Decisions:
        """With anchors that are left to the fit again."""
        own, some = self.of(source), frozenset(anchors)
        return self._with(
            source, replace(own, rejected=own.rejected - some, accepted=own.accepted - some)
        )

    def choosing(self, piece: ClockPiece, rival_ns: int) -> Decisions:
        """With another offset for the stretch of a piece.

        Args:
            piece: a piece of the source's clock as it is aligned now.
            rival_ns: one of its `rivals_ns`.

        Raises:
            ValueError: if it is none of these.
        """
        if rival_ns not in piece.rivals_ns:
            raise ValueError(f"{rival_ns} is none of the rivals {piece.rivals_ns}")
        at_ns = piece.centre_ns
        gap_ns = rival_ns + round(at_ns * (piece.drift_ppm * 1e-6))
        own = self.of(piece.source)
        return self._with(piece.source, replace(own, placed=(*own.placed, Placed(at_ns, gap_ns))))

    def choosing_none(self, source: str) -> Decisions:
        """With the offsets of a source left to the fit again."""
        return self._with(source, replace(self.of(source), placed=()))

    def _with(self, source: str, decided: SourceDecisions) -> Decisions:
        others = {name: own for name, own in self.sources.items() if name != source}
        return Decisions(others if decided.is_empty else {**others, source: decided})


NOTHING_DECIDED = Decisions()


class Named:
    """Anchors named by hand, made ready to be looked up in columns."""

    def __init__(self, anchors: Collection[AnchorId]) -> None:
        found: dict[tuple[str, str], list[int]] = {}
        for anchor in anchors:
            found.setdefault((anchor.name, anchor.other), []).append(anchor.native_ns)
        self._native_ns = {key: np.array(times, np.int64) for key, times in found.items()}

    def __len__(self) -> int:
        return len(self._native_ns)

    def among(self, name: str, other: str, native_ns: Int64s) -> npt.NDArray[np.bool_] | None:
        """Which events of a value shared with another source are named; None when none can be."""
        named = self._native_ns.get((name, other))
        return None if named is None else np.isin(native_ns, named)
