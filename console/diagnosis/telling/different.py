"""What was different just before, as a part of a story."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from console.diagnosis.before.difference import Differences
from console.diagnosis.before.sharing import Shared
from console.diagnosis.story import Line, Part

MOST = 8


def different(found: Differences, shared: Sequence[Shared] = ()) -> Part:
    """The ranked list, or that nothing was unusual; and what could not be looked at.

    Args:
        found: of one episode.
        shared: what several episodes of its device end with.
    """
    lines = (*_shared(shared), *_ranked(found), *_limits(found))
    return Part("What was different just before", lines)


def _shared(shared: Sequence[Shared]) -> Iterator[Line]:
    for one in shared[:MOST]:
        yield Line(f"{one.words} (chance {one.p:.2g})", one.places[0], "doubt")


def _ranked(found: Differences) -> Iterator[Line]:
    for one in found.ranked[:MOST]:
        yield Line(f"{one.words}: {one.rarity}, chance {one.p:.2g}", one.place, "doubt")
    if len(found.ranked) > MOST:
        yield Line(f"and {len(found.ranked) - MOST} more", tone="quiet")
    if found.ranked or not found.kinds:
        return
    beside = f", beside {found.healthy:,} healthy polls" if found.can_tell else ""
    yield Line(found.words + beside)


def _limits(found: Differences) -> Iterator[Line]:
    if found.kinds:
        yield Line(f"looked at: {', '.join(found.kinds)}", tone="quiet")
    for words in found.not_observable:
        yield Line(f"not looked at: {words}", tone="quiet")
