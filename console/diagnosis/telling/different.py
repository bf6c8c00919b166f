"""What was different just before, as a part of a story."""

from __future__ import annotations

from collections.abc import Iterator

from console.diagnosis.before.difference import TOLD_BELOW, Differences
from console.diagnosis.story import Line, Part
from console.watch.findings import counted

MOST = 8


def different(found: Differences) -> Part:
    """The ranked list, or that nothing was unusual; and what could not be looked at."""
    return Part("What was different just before", (*_ranked(found), *_limits(found)))


def _ranked(found: Differences) -> Iterator[Line]:
    for one in found.ranked[:MOST]:
        yield Line(f"{one.words}: {one.rarity}, chance {one.p:.2g}", one.place, "doubt")
    if len(found.ranked) > MOST:
        yield Line(f"and {len(found.ranked) - MOST} more", tone="quiet")
    if found.ranked or not found.kinds:
        return
    if found.least_p > TOLD_BELOW:
        yield Line(f"too few polls before it ({found.healthy:,}) to call anything unusual")
    else:
        kinds = counted(found.looked_at, "kind")
        yield Line(f"nothing unusual: {kinds} of feature beside {found.healthy:,} healthy polls")


def _limits(found: Differences) -> Iterator[Line]:
    if found.kinds:
        yield Line(f"looked at: {', '.join(found.kinds)}", tone="quiet")
    for words in found.not_observable:
        yield Line(f"not looked at: {words}", tone="quiet")
