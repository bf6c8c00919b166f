"""Spans over which a source may have missed what was there: absence proves nothing in them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.trust.sheet import TrustRow

Int64s = npt.NDArray[np.int64]

# Kinds that are no gap in observation but mean that something is not there.
MISSING = ("lost", "bytes-missing")
_EVER = 2**62


@dataclass(frozen=True, slots=True, eq=False)
class Unobserved:
    """n spans of one source, in ns on the common axis, sorted and apart."""

    from_ns: Int64s
    until_ns: Int64s

    @classmethod
    def of(cls, spans: Iterable[tuple[int, int]]) -> Unobserved:
        """From spans in any order that may overlap."""
        merged: list[list[int]] = []
        for start, end in sorted(spans):
            if merged and start <= merged[-1][1]:
                merged[-1][1] = max(merged[-1][1], end)
            else:
                merged.append([start, end])
        columns = np.array(merged, np.int64).reshape(-1, 2)
        return cls(columns[:, 0].copy(), columns[:, 1].copy())

    def touches(self, from_ns: Int64s, until_ns: Int64s) -> npt.NDArray[np.bool_]:
        """bool[k]: whether any span overlaps each of k stretches of time.

        Ends do not count: the events at both ends of a span were observed.
        """
        begun = np.searchsorted(self.from_ns, until_ns, side="left")
        over = np.searchsorted(self.until_ns, from_ns, side="right")
        return np.greater(begun, over)

    def observed(self, from_ns: int, until_ns: int) -> list[tuple[int, int]]:
        """The stretches of a stretch of time that lie outside the spans, in order."""
        first = int(np.searchsorted(self.until_ns, from_ns, side="right"))
        last = int(np.searchsorted(self.from_ns, until_ns, side="left"))
        ends = [from_ns]
        for start, end in zip(
            self.from_ns[first:last].tolist(), self.until_ns[first:last].tolist(), strict=True
        ):
            ends += [start, end]
        ends.append(until_ns)
        return [(a, b) for a, b in zip(ends[::2], ends[1::2], strict=True) if a < b]

    def __deepcopy__(self, memo: dict[int, object]) -> Unobserved:
        return self  # nothing of it ever changes


NOTHING = Unobserved.of(())


def unobserved(rows: Iterable[TrustRow]) -> dict[str, Unobserved]:
    """Of each source the spans in which it may have missed something."""
    return _spans_of(row for row in rows if row.severity == "gap" or row.kind in MISSING)


def away(rows: Iterable[TrustRow]) -> dict[str, Unobserved]:
    """Of each source the spans in which nothing was recorded, whatever there was.

    Numbers that are missing while all else is recorded may be the very fault that is looked for.
    """
    return _spans_of(row for row in rows if row.severity == "gap")


def _spans_of(rows: Iterable[TrustRow]) -> dict[str, Unobserved]:
    spans: dict[str, list[tuple[int, int]]] = {}
    for row in rows:
        start = -_EVER if row.from_ns is None else row.from_ns
        end = _EVER if row.until_ns is None else row.until_ns
        spans.setdefault(row.source, []).append((start, end))
    return {source: Unobserved.of(found) for source, found in spans.items()}
