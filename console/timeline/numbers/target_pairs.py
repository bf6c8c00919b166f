"""Which number may be the set point of which: a guess from their names, to be offered and no more.

A name with one of the words people use for a set point ("target", "goal", ..) is taken for one.
What is left of the name, or the words people use for what should follow ("speed", "actual", ..), is
looked for among the numbers beside it: in the same rows, of the same party, then anywhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from console.timeline.numbers.number_series import NumericField
from console.timeline.numbers.units import UNITS

_TARGET_WORDS = frozenset(
    ("target", "setpoint", "set", "sp", "goal", "desired", "wanted", "demand", "reference", "ref")
)
_MEASURED_WORDS = frozenset(
    ("actual", "measured", "is", "now", "current", "real", "pv", "feedback")
)
_TURNING = ("speed", "rpm", "velocity", "position", "pos", "angle", "torque")
_PROCESS = ("temperature", "temp", "pressure", "flow", "level", "height")
_FOLLOWING_WORDS = frozenset((*_TURNING, *_PROCESS))
_UNIT_WORDS = frozenset(unit.lower() for unit in UNITS if len(unit) > 1)
_WORDS = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|\d+")


@dataclass(frozen=True, slots=True)
class TargetPair:
    """Two numbers, of which one may be the set point of the other."""

    target: NumericField
    measured: NumericField
    why: str  # what of their names says so


def pairs_of_target(fields: Sequence[NumericField]) -> list[TargetPair]:
    """For each number named as a set point, the number that best fits as what should follow it."""
    found = []
    for target in fields:
        words = _words(target.name)
        if not target.varies or not words & _TARGET_WORDS:
            continue
        fits = [(fit, -k, field) for k, field in enumerate(fields) for fit in _fits(target, field)]
        if fits:
            _, _, best = max(fits, key=lambda each: each[:2])
            why = f"'{target.name}' taken as the set point of '{best.name}' by its name"
            found.append(TargetPair(target, best, why))
    return found


def _fits(target: NumericField, other: NumericField) -> Iterator[tuple[int, int]]:
    """How well a number fits, the nearer the rows the better; nothing where it does not."""
    words, wanted = _words(other.name), _words(target.name) - _TARGET_WORDS - _UNIT_WORDS
    if other.key == target.key or not other.varies or words & _TARGET_WORDS:
        return
    if target.unit and other.unit and target.unit != other.unit:
        return
    left = words - _MEASURED_WORDS - _UNIT_WORDS
    if wanted and left == wanted:
        likeness = 3
    elif not wanted and words & (_FOLLOWING_WORDS | _MEASURED_WORDS):
        likeness = 2
    elif wanted and not left and words:
        likeness = 1
    else:
        return
    same_party = (target.table, target.party) == (other.table, other.party)
    beside = 2 if same_party and target.subject == other.subject else int(same_party)
    if beside or likeness == 3:
        yield beside, likeness


def _words(name: str) -> frozenset[str]:
    """The words of a name such as `speed_target`, `speedTarget` or `target speed`, in small."""
    text = re.sub(r"set[_ -]?point", "setpoint", name, flags=re.IGNORECASE)
    return frozenset(word.lower() for word in _WORDS.findall(text))
