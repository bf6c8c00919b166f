"""What several episodes have in common just before they end."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from console.diagnosis.before.difference import TOLD_BELOW, Difference, Differences
from console.diagnosis.before.kinds import POLLS_BEFORE
from console.diagnosis.story import Place
from decoders.durations import in_words

_UNITS = POLLS_BEFORE + 2  # those before, the last good one, and right before the first bad one


@dataclass(frozen=True, slots=True)
class Shared:
    """One thing that is at the end of several episodes. Text from outside is not cleaned."""

    kind: str
    words: str  # `5 of 6 end with ..`
    episodes: Sequence[int]  # which of those given
    of: int
    places: Sequence[Place]  # of each
    p: float  # of so many by chance, corrected for all that was noticed


def shared(many: Sequence[Differences]) -> list[Shared]:
    """What more episodes end with than chance allows, the least likely first.

    The first episode that has a thing chose it; the others are asked for it. By chance each would
    have it as often as as many healthy polls do (binomial), and as many things are tried as were
    noticed in any episode. What is too common to prove anything in one episode may so stand out.

    Args:
        many: of each episode what was different, in order.
    """
    found: dict[str, dict[int, Difference]] = {}
    for k, one in enumerate(many):
        for difference in one.noticed:
            found.setdefault(difference.said.same, {}).setdefault(k, difference)
    told = []
    for those in found.values():
        share = max(difference.said.share for difference in those.values())
        p = len(found) * _at_least(len(those) - 1, len(many) - 1, 1 - (1 - share) ** _UNITS)
        if len(those) > 1 and p <= TOLD_BELOW:
            told.append(_shared(list(those), list(those.values()), len(many), p))
    return sorted(told, key=lambda one: one.p)


def _shared(episodes: list[int], those: list[Difference], of: int, p: float) -> Shared:
    words = f"{len(those)} of {of} end with {_common_words(those)}"
    return Shared(those[0].kind, words, episodes, of, [one.place for one in those], p)


def _common_words(those: list[Difference]) -> str:
    """What is said of all, with the range of the lengths of time in it."""
    known = [one.said.value_ns for one in those if one.said.value_ns is not None]
    if len(known) < len(those):
        return those[0].said.same
    low, high = in_words(min(known)), in_words(max(known))
    span = low if low == high else f"{low} to {high}"
    without = {
        one.said.words.replace(in_words(ns), "{}", 1) for one, ns in zip(those, known, strict=True)
    }
    if len(without) == 1 and (form := without.pop()).count("{}") == 1:
        return form.replace("{}", span)
    return f"{those[0].said.same} ({span})"


def _at_least(k: int, n: int, chance: float) -> float:
    """The chance of k or more in n."""
    return sum(math.comb(n, j) * chance**j * (1 - chance) ** (n - j) for j in range(k, n + 1))
