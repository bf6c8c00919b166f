"""What a source's clock rests on: its anchors as columns, those left out too, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from enum import IntEnum
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.series import Kind
from console.timeline.clocks import ClockMap

Int64s = npt.NDArray[np.int64]

NO_ROW = -1  # of a capture, whose events are rows of several tables


class Reason(IntEnum):
    """Why an anchor counts, or does not."""

    KEPT = 0  # the clock rests on it
    ACCEPTED = 1  # so it does, and by hand
    ASTRAY = 2  # far from where the pairs of its value crowd: its value met by chance
    OUTLIER = 3  # in the crowd, but earlier than its side allows, or against the other side
    UNFITTED = 4  # of a stretch with too few anchors to be fitted
    REJECTED = 5  # by hand
    IMPOSSIBLE = 6  # accepted by hand, but no line that the others allow goes by it


class AnchorId(NamedTuple):
    """What an anchor of one source is known by, from one alignment to the next."""

    name: str  # of the value
    other: str  # the other source
    native_ns: int  # of its own event


class Shared(NamedTuple):
    """A value that two sources share."""

    name: str  # as the source calls it: "poll"; of a line the log's name, of a mark the mark's
    other: str  # the other source
    other_name: str  # as that calls it
    kind: Kind


@dataclass(frozen=True, slots=True, eq=False)
class Anchors:
    """The anchors of one source, n rows, n may be 0; times in ns.

    Several values of one event have one delay between them and count once: of each event and side
    the pair nearest to the envelope is here, and besides every pair that is astray or was decided
    by hand.
    """

    source: str
    shared: tuple[Shared, ...]  # the values; `value` says which of them
    value: npt.NDArray[np.int32]  # [n] index into `shared`
    own_row: Int64s  # [n] row of the source in its own order; NO_ROW of a capture
    other_row: Int64s  # [n] row of the other source in its own order; NO_ROW of a capture
    native_ns: Int64s  # [n] own event, on the source's clock
    common_ns: Int64s  # [n] the other event, on the common axis
    # [n] other event minus own event, both on the axis: negative by its delay where the own event
    # follows the other. Where nothing could be fitted, off the line that most pairs lie along.
    residual_ns: Int64s
    # [n] +1: its event comes at or after the other (a print after the wire); -1: at or before it;
    # 0: both are one moment
    side: npt.NDArray[np.int8]
    reason: npt.NDArray[np.uint8]  # [n] a `Reason`
    piece: npt.NDArray[np.int32]  # [n] index into the pieces of the source's clock

    def __len__(self) -> int:
        return len(self.native_ns)

    @classmethod
    def none(cls, source: str) -> Anchors:
        """Of a source that rests on none: the axis, or one whose offset was declared."""
        empty = np.empty(0, np.int64)
        small, byte = empty.astype(np.int32), empty.astype(np.uint8)
        return cls(
            source=source,
            shared=(),
            value=small,
            own_row=empty,
            other_row=empty,
            native_ns=empty,
            common_ns=empty,
            residual_ns=empty,
            side=empty.astype(np.int8),
            reason=byte,
            piece=small,
        )

    @classmethod
    def joined(cls, source: str, parts: Sequence[Anchors]) -> Anchors:
        """The rows of all parts, of which each has all values of the others in its `shared`."""
        if len(parts) < 2:
            return parts[0] if parts else cls.none(source)
        columns: dict[str, Any] = {
            name: np.concatenate([getattr(part, name) for part in parts]) for name in _COLUMNS
        }
        return replace(parts[0], **columns)

    def taken(self, at: npt.NDArray[np.integer] | npt.NDArray[np.bool_]) -> Anchors:
        """The rows at indices or under a mask, as a copy."""
        columns: dict[str, Any] = {name: getattr(self, name)[at] for name in _COLUMNS}
        return replace(self, **columns)

    @property
    def kept(self) -> npt.NDArray[np.bool_]:
        """bool[n]: which the clock rests on; the others were rejected."""
        return self.reason <= Reason.ACCEPTED

    def identity(self, row: int) -> AnchorId:
        """What one is known by, to accept or reject it."""
        value = self.shared[self.value[row]]
        return AnchorId(value.name, value.other, int(self.native_ns[row]))

    def identities(self) -> list[AnchorId]:
        """What each of them is known by: objects, so of a choice of some thousand at most."""
        keys = [(value.name, value.other) for value in self.shared]
        found = []
        for k, t_ns in zip(self.value.tolist(), self.native_ns.tolist(), strict=True):
            name, other = keys[k]
            found.append(AnchorId(name, other, t_ns))
        return found


def by_span(anchors: Anchors, its: ClockMap) -> Anchors:
    """The anchors of a source whose one clock was cut into pieces by spans of the axis."""
    begins = np.array([piece.from_ns for piece in its.pieces], np.int64)
    own_ns = anchors.common_ns - anchors.residual_ns
    at = np.searchsorted(begins, own_ns, side="right") - 1
    return replace(anchors, piece=np.maximum(at, 0).astype(np.int32))


_COLUMNS = tuple(f.name for f in fields(Anchors) if f.name not in ("source", "shared"))
