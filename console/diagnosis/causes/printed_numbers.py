"""Numbers that firmware prints over time: which only rise, which only fall."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from console.diagnosis.scene import Scene

_NUMBER = re.compile(r"([A-Za-z_][\w %.-]{0,24}?)\s*[:= ]\s*(-?\d+(?:\.\d+)?)(?![\w.]*[:x])")
_FEWEST = 5
_AT_MOST = 20_000  # lines


@dataclass(frozen=True, slots=True)
class Course:
    """One number of one kind of line, over a run."""

    name: str  # the words before it; not cleaned
    first: float
    last: float
    count: int
    rank: float  # rank correlation with time, -1..1

    @property
    def rising(self) -> bool:
        """Whether it goes up nearly all the time."""
        return self.rank > 0.9 and self.last > self.first

    @property
    def falling(self) -> bool:
        """Whether it goes down nearly all the time, by a quarter at least."""
        return self.rank < -0.8 and self.last < 0.75 * self.first


def courses_of(scene: Scene) -> list[Course]:
    """The numbers of a run's prints that were printed often enough."""
    values: dict[str, list[float]] = defaultdict(list)
    for text in scene.table("prints")["text"].head(_AT_MOST).to_list():
        for name, number in _NUMBER.findall(text or ""):
            values[name.strip().lower()].append(float(number))
    return [_course(name, found) for name, found in values.items() if len(found) >= _FEWEST]


def _course(name: str, found: list[float]) -> Course:
    column = np.array(found)
    if not np.ptp(column):
        return Course(name, found[0], found[-1], len(found), 0.0)
    ranks = np.argsort(np.argsort(column, kind="stable"), kind="stable")
    rank = float(np.corrcoef(ranks, np.arange(len(found)))[0, 1])
    return Course(name, found[0], found[-1], len(found), rank)
