"""What order asks of ties: a source's stretches between restarts follow each other on the axis too.

A board counts anew after a restart, so its first numbers look like those of every boot before. The
rows of its log lie in order all the same: a stretch begins no sooner than the one before it ended.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from console.timeline.alignment.ways import Way

LATE_NS = 100_000_000  # a row may seem to come so much before one of the stretch before


@dataclass(slots=True)
class EpochOrder:
    """Where the stretches of one source lie that are placed so far; the surest are put first."""

    _spans: dict[int, tuple[int, int]] = field(default_factory=dict)

    def put(self, epoch: int, way: Way) -> None:
        """Place one by the way it is tied."""
        self._spans[epoch] = _span(way)

    def allows(self, epoch: int, way: Way) -> bool:
        """Whether that way puts it after the earlier ones placed, and before the later ones."""
        begin, end = _span(way)
        return all(
            begin > span[1] - LATE_NS if other < epoch else end < span[0] + LATE_NS
            for other, span in self._spans.items()
        )


def _span(way: Way) -> tuple[int, int]:
    """First and last time on the axis of the pairs that agree."""
    at = way.pairs.other_ns[way.line.kept]
    return int(at.min()), int(at.max())
