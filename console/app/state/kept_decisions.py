"""Decisions about clocks, between the state file and the alignment."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from console.app.state.kept import KeptAnchor, KeptDecisions, KeptOffset
from console.timeline.alignment.anchors import AnchorId
from console.timeline.alignment.decisions import Decisions, Placed, SourceDecisions


def kept_decisions(decisions: Decisions) -> dict[str, KeptDecisions]:
    """As they are kept."""
    return {
        source: KeptDecisions(
            rejected=_kept(own.rejected),
            accepted=_kept(own.accepted),
            placed=tuple(KeptOffset(each.native_ns, each.gap_ns) for each in own.placed),
        )
        for source, own in decisions.sources.items()
    }


def decisions_of(kept: Mapping[str, KeptDecisions]) -> Decisions:
    """As the alignment takes them."""
    return Decisions(
        {
            source: SourceDecisions(
                rejected=_named(own.rejected),
                accepted=_named(own.accepted),
                placed=tuple(Placed(each.native_ns, each.gap_ns) for each in own.placed),
            )
            for source, own in kept.items()
        }
    )


def _kept(anchors: Iterable[AnchorId]) -> tuple[KeptAnchor, ...]:
    """In one order, so that the same decisions make the same file."""
    return tuple(KeptAnchor(*anchor) for anchor in sorted(anchors))


def _named(anchors: Iterable[KeptAnchor]) -> frozenset[AnchorId]:
    return frozenset(AnchorId(each.name, each.other, each.native_ns) for each in anchors)
