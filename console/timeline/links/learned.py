"""Which kinds of event are causes of which: by the values they share, else by time alone."""

from __future__ import annotations

from collections.abc import Sequence

from console.timeline.links.follows import following
from console.timeline.links.joins import Relation
from console.timeline.links.kinds import EventKind
from console.timeline.links.values import by_value


def relations_of(kinds: Sequence[EventKind]) -> list[Relation]:
    """Every relation that the events of a run prove."""
    found = list(by_value(kinds))
    explained = {id(relation.effect) for relation in found}
    for effect in kinds:
        if id(effect) not in explained and effect.table != "exchanges":
            found += following(effect, kinds)
    return found
