"""What a cause is, and what its test answers: holds, refuted or not observable, with evidence.

A test is made of signs. A sign is one claim about a scene that is true, false, or cannot be seen,
with words for each of the three:

- `needed`: without it the cause is ruled out; not to be seen, the cause is not observable.
- `telling`: speaks for the cause when true, and half as loud against it when false.
- `unless`: when true the cause is ruled out; otherwise it says nothing.

So no test has branches of its own, and every answer can be read out sign by sign.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import polars as pl

from console.diagnosis.causes.faces import Face
from console.diagnosis.causes.facts import Facts
from console.diagnosis.scene import Scene

Verdict = Literal["holds", "refuted", "not-observable"]
Says = Literal["for", "against", "unknown"]
Kind = Literal["capture", "prints", "messages"]  # of source
Family = Literal["wire", "controller", "target", "firmware", "network"]

# How much likelier a sign is under its cause than without it, as natural logarithms.
WEAK, FAIR, STRONG = math.log(3), math.log(10), math.log(50)


@dataclass(frozen=True, slots=True)
class Evidence:
    """One thing that speaks for a cause or against it, or that could not be seen."""

    words: str  # text from outside in them is not cleaned
    says: Says
    table: str = ""  # the table whose row shows it; "": the wire itself, or no single row
    t_ns: int | None = None  # where to look, common axis


@dataclass(frozen=True, slots=True)
class Answer:
    """What the test of one cause says about one scene."""

    verdict: Verdict
    weight: float  # log likelihood ratio against "something else"; 0 when not observable
    evidence: tuple[Evidence, ...]

    def saying(self, says: Says) -> list[str]:
        """The words of the evidence that says so."""
        return [each.words for each in self.evidence if each.says == says]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a sign is to be seen."""

    table: str = ""
    t_ns: int | None = None


NOWHERE = Place()


def place_of(rows: pl.DataFrame) -> Place:
    """The first of some transactions."""
    return Place("transactions", int(rows["start_ns"][0])) if rows.height else NOWHERE


@dataclass(frozen=True, slots=True)
class Sign:
    """One claim about a scene; `state` None when nobody can tell."""

    state: bool | None
    yes: str
    no: str
    unknown: str
    role: Literal["needed", "telling", "hint", "unless"]
    strength: float
    place: Place = NOWHERE


def needed(
    state: bool | None,
    yes: str,
    no: str,
    unknown: str = "",
    *,
    strength: float = FAIR,
    at: Place = NOWHERE,
) -> Sign:
    """A sign without which the cause is ruled out."""
    return Sign(state, yes, no, unknown or f"whether {yes}", "needed", strength, at)


def telling(
    state: bool | None,
    yes: str,
    no: str = "",
    unknown: str = "",
    *,
    strength: float = WEAK,
    at: Place = NOWHERE,
) -> Sign:
    """A sign that speaks for the cause, and whose absence speaks against it."""
    return Sign(state, yes, no, unknown or f"whether {yes}", "telling", strength, at)


def hint(
    state: bool | None, yes: str, unknown: str = "", *, strength: float = WEAK, at: Place = NOWHERE
) -> Sign:
    """A sign that speaks for the cause, and whose absence says nothing."""
    return Sign(state, yes, "", unknown or f"whether {yes}", "hint", strength, at)


def unless(state: bool | None, yes: str, *, at: Place = NOWHERE) -> Sign:
    """What rules the cause out."""
    return Sign(state, yes, "", f"whether {yes}", "unless", STRONG, at)


def judged(*signs: Sign) -> Answer:
    """The answer that the signs of a test add up to."""
    evidence = tuple(found for sign in signs if (found := _evidence(sign)) is not None)
    if any(_rules_out(sign) for sign in signs):
        return Answer("refuted", -STRONG, evidence)
    if any(sign.role == "needed" and sign.state is None for sign in signs):
        return Answer("not-observable", 0.0, evidence)
    return Answer("holds", sum(_weight(sign) for sign in signs), evidence)


def _rules_out(sign: Sign) -> bool:
    return (sign.role == "needed" and sign.state is False) or (
        sign.role == "unless" and sign.state is True
    )


def _weight(sign: Sign) -> float:
    if sign.role == "unless" or sign.state is None:
        return 0.0
    if sign.role == "hint" and not sign.state:
        return 0.0
    if sign.role == "telling" and not sign.state:
        return -sign.strength / 2
    return sign.strength


def _evidence(sign: Sign) -> Evidence | None:
    if sign.state is None:
        return Evidence(sign.unknown, "unknown")
    for_it = sign.state and sign.role != "unless"
    words = sign.yes if sign.state else sign.no
    if not words:
        return None
    return Evidence(words, "for" if for_it else "against", sign.place.table, sign.place.t_ns)


Test = Callable[[Scene, Facts], Answer]


@dataclass(frozen=True, slots=True)
class Cause:
    """One root cause of the catalogue."""

    slug: str
    title: str
    family: Family
    faces: tuple[Face, ...]  # what its dead stretch looks like; the prior is lower behind others
    prior: float  # how often among stops seen in the field, roughly; only ratios matter
    needs: tuple[Kind, ...]  # kinds of source without which its test cannot say anything
    test: Test
    experiments: tuple[str, ...]  # slugs of experiments.py that tell it from its neighbours
    extra_channel: str  # one more line in the capture that would decide it, "" when none would
    source: str  # where the mechanism is described
    of_run: bool = False  # its test looks at the captures of a run, not at one device's bus

    @property
    def of_device(self) -> bool:
        """Whether it shows itself on one device's bus alone."""
        return "capture" in self.needs and not self.of_run


def missing_kinds(cause: Cause, scene: Scene) -> Sequence[Kind]:
    """The kinds of source a cause needs and the run has not."""
    there = {source.kind for source in scene.sources}  # those beside the axis too
    return [kind for kind in cause.needs if kind not in there]
