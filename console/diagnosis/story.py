"""The story of one episode on one page: parts of lines, each with the place of its evidence.

Screens, `check` and `compare` say the same words because they all show this.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from console.diagnosis.episode import Episode

Tone = Literal["plain", "bad", "good", "doubt", "quiet"]
Outcome = tuple[str, str]  # experiment and outcome, by their names in the table of experiments


@dataclass(frozen=True, slots=True)
class Place:
    """Where evidence stands: a moment, and the row that is meant where one is."""

    t_ns: int  # common axis
    table: str = ""
    row: int = -1


@dataclass(frozen=True, slots=True)
class Line:
    """One sentence. Text from outside in it is not cleaned yet."""

    words: str
    place: Place | None = None
    tone: Tone = "plain"
    drawn: bool = False  # a drawing: it keeps its spaces and is cut instead of wrapped
    outcome: Outcome | None = None  # of an experiment, that the user may say was the one


@dataclass(frozen=True, slots=True)
class Part:
    """Some lines under a title; of a folded one the title says how many there are."""

    title: str
    lines: tuple[Line, ...]
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Story:
    """What is told of one episode."""

    episode: Episode
    head: str  # in one sentence
    parts: tuple[Part, ...]

    def lines(self) -> Iterator[tuple[Part, Line]]:
        """Every line with its part, in order."""
        for part in self.parts:
            for line in part.lines:
                yield part, line
