"""What was different just before, as a part of a story."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from console.diagnosis.before.difference import UNSEEN, Differences
from console.diagnosis.before.kinds import KIND_WORDS, KINDS
from console.diagnosis.before.sharing import Shared
from console.diagnosis.story import Line, Part

MOST = 8
# That a run of files has no log of a recorder goes without saying.
_ASKED_FOR = [kind for kind in KINDS if kind != "happenings"]


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
        yield Line(f"{one.words}: {chance_words(one.p)}", one.places[0], "doubt")


def _ranked(found: Differences) -> Iterator[Line]:
    for one in found.ranked[:MOST]:
        yield Line(f"{one.words}: {one.rarity}, {chance_words(one.p)}", one.place, "doubt")
    if len(found.ranked) > MOST:
        yield Line(f"and {len(found.ranked) - MOST} more", tone="quiet")
    if found.ranked or not found.kinds:
        return
    beside = f", beside {found.healthy:,} healthy polls" if found.can_tell else ""
    yield Line(found.words + beside)


def chance_words(p: float) -> str:
    """How often chance alone would bring it about: `by chance in 1 run of 830`."""
    if p < 1e-6:
        return "by chance in less than 1 run of a million"
    return f"by chance in 1 run of {float(f'{1 / p:.2g}'):,.0f}"


def _limits(found: Differences) -> Iterator[Line]:
    if not found.kinds:
        yield from (Line(words, tone="quiet") for words in found.not_observable)
        return
    if found.can_tell:
        looked_at = ", ".join(KIND_WORDS[kind] for kind in found.kinds)
        yield Line(f"looked at: {looked_at}", tone="quiet")
        for kind, _, why in (words.partition(": ") for words in found.not_observable):
            if why != UNSEEN:
                yield Line(f"not looked at: {KIND_WORDS[kind]}: {why}", tone="quiet")
    missing = [kind for kind in _ASKED_FOR if f"{kind}: {UNSEEN}" in found.not_observable]
    if missing:
        unseen = ", ".join(KIND_WORDS[kind] for kind in missing)
        yield Line(f"not observable here: {unseen}", tone="quiet")
