"""What was different, in words and figures; and what was looked at to say so."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from console.diagnosis.story import Place

TOLD_BELOW = 0.05  # corrected: of runs in which nothing was unusual so many are told something
UNSEEN = "not observable here"  # of a kind for which no source of the run has anything
NOTICED_BELOW = 0.1  # frequency, uncorrected: what is worth comparing across episodes


@dataclass(frozen=True, slots=True)
class Said:
    """One oddity before it is judged. Text from outside in it is not cleaned."""

    words: str
    place: Place
    same: str  # equal for what is the same thing in another episode; for people, too
    share: float  # of healthy polls (or windows) in which this very thing was
    value_ns: int | None = None  # the length of time that is odd, where one is


@dataclass(frozen=True, slots=True)
class Difference:
    """Something rare in the final window of an episode."""

    kind: str  # what was looked at, one of `kinds.KINDS`
    said: Said
    when: str  # "last good poll", ..
    seen: int  # healthy polls or windows that were as odd in this kind, or odder
    of: int  # healthy polls or windows
    p: float  # corrected for everything that was looked at
    chance: float | None = None  # of it by itself, where it was computed instead of counted

    @property
    def words(self) -> str:
        """What, and when."""
        return f"{self.said.words} ({self.when})"

    @property
    def place(self) -> Place:
        """Where to look at it."""
        return self.said.place

    @property
    def frequency(self) -> float:
        """How often a healthy poll is as odd: smoothed by one more that was."""
        return self.chance if self.chance is not None else (self.seen + 1) / (self.of + 1)

    @property
    def surprise(self) -> float:
        """Minus the decimal logarithm of the frequency: 3 is one in a thousand."""
        return -math.log10(self.frequency)

    @property
    def rarity(self) -> str:
        """The frequency in words; a kind is judged as a whole."""
        if self.chance is not None:
            return "steadier than chance"
        if not self.seen:
            return f"none as odd in {self.of:,} before"
        return f"{self.seen:,} as odd in {self.of:,} before"


@dataclass(frozen=True, slots=True)
class Differences:
    """What was different just before one episode; nothing ranked is an answer too."""

    ranked: Sequence[Difference]  # the most surprising first
    noticed: Sequence[Difference]  # odd, but not so odd that one episode proves anything
    kinds: Sequence[str]  # that were looked at
    not_observable: Sequence[str]  # kinds that were not, and why, in words
    healthy: int  # polls before it
    least_p: float  # what something never seen before would get: above 0.05 nothing can be told

    @property
    def looked_at(self) -> int:
        """How many kinds of features were compared: what p is corrected for."""
        return len(self.kinds)

    @property
    def can_tell(self) -> bool:
        """Whether there were enough healthy polls for anything to stand out."""
        return self.least_p <= TOLD_BELOW

    @property
    def words(self) -> str:
        """The answer in one line."""
        if self.ranked:
            return self.ranked[0].words
        if not self.can_tell:
            few = f"too few ({self.healthy:,})" if self.healthy else "no"
            return f"cannot say: {few} healthy polls beyond the first, which teach what is usual"
        return f"nothing unusual, in {self.looked_at} kinds of things looked at"
