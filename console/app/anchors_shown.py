"""The anchors of one piece of a clock as a screen shows them: by time, all or those left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchors import AnchorId, Anchors, Reason
from console.timeline.alignment.decisions import Decisions
from console.timeline.clocks import ClockPiece

Int64s = npt.NDArray[np.int64]

LOOKED_AT = 200  # anchors on either side of where one was, to find it again


@dataclass(frozen=True, slots=True, eq=False)
class AnchorsShown:
    """n anchors of one piece, by time; times in ns on the common axis."""

    anchors: Anchors
    rows: Int64s  # [n] rows of `anchors`
    t_ns: Int64s  # [n] of the other source's event, rising
    residual_ns: Int64s  # [n]
    kept: npt.NDArray[np.bool_]  # [n]

    def __len__(self) -> int:
        return len(self.rows)

    @classmethod
    def of(cls, anchors: Anchors, piece: int | None, *, only_left_out: bool) -> AnchorsShown:
        """The anchors of a piece.

        Args:
            anchors: all of a source.
            piece: which piece; None: of all of them.
            only_left_out: leave out those the clock rests on.
        """
        chosen = np.ones(len(anchors), np.bool_) if piece is None else anchors.piece == piece
        if only_left_out:
            chosen = chosen & ~anchors.kept
        rows = np.flatnonzero(chosen)
        rows = rows[np.argsort(anchors.common_ns[rows], kind="stable")]
        return cls(
            anchors, rows, anchors.common_ns[rows], anchors.residual_ns[rows], anchors.kept[rows]
        )

    def reason(self, k: int) -> Reason:
        """Why anchor k counts, or does not."""
        return Reason(int(self.anchors.reason[self.rows[k]]))

    def nearest(self, t_ns: int) -> int:
        """The anchor nearest to a moment; 0 when there is none."""
        if not len(self):
            return 0
        k = int(np.searchsorted(self.t_ns, t_ns))
        if k == len(self) or (k and t_ns - self.t_ns[k - 1] < self.t_ns[k] - t_ns):
            return k - 1
        return k

    def identity(self, k: int) -> AnchorId:
        """What anchor k is known by."""
        return self.anchors.identity(int(self.rows[k]))

    def place_of(self, anchor: AnchorId, near_ns: int) -> int:
        """Where an anchor is now, which was at about that time; else the one nearest to it."""
        at = self.nearest(near_ns)
        some = range(max(0, at - LOOKED_AT), min(len(self), at + LOOKED_AT))
        same = (k for k in some if self.identity(k) == anchor)
        return next(same, at)

    def decided(self, k: int, decisions: Decisions) -> Decisions:
        """Decisions with anchor k decided the other way round, or left to the fit again.

        One that counts is left out, one that does not is accepted; one that was decided by hand
        goes back to what the fit makes of it.
        """
        source, who = self.anchors.source, [self.identity(k)]
        own = decisions.of(source)
        if who[0] in own.rejected or who[0] in own.accepted:
            return decisions.leaving(source, who)
        if self.kept[k]:
            return decisions.rejecting(source, who)
        return decisions.accepting(source, who)


def other_offset(piece: ClockPiece) -> int | None:
    """The rival a key goes to next, from the least to the greatest and round; None without any."""
    above = [rival for rival in piece.rivals_ns if rival > piece.offset_ns]
    return min(above or piece.rivals_ns, default=None)
