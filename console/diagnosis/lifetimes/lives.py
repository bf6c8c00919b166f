"""A life: one passage of a peripheral from a beginning to its end, and everything counted in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from console.diagnosis.episode import Episode

Ended = Literal["failed", "censored"]
# What a life is counted from. Only lives of one kind of beginning are compared with each other.
Zero = Literal["boot", "power", "re-init", "reconnect", "first seen", "answered again"]
SINCE_BOOT: tuple[Zero, ...] = ("boot", "power")  # the time since is the board's uptime

POLLS = "polls"  # the one count that a poll rate drives; other names are free text
BYTES = "bytes"  # what names of totals begin with


@dataclass(frozen=True, slots=True)
class Life:
    """One life. A censored one had not ended when the observation did."""

    run: str
    device: str
    zero: Zero
    ended: Ended
    elapsed_ns: int  # from the beginning to the last good transaction
    # Of that, since it first answered: before, it could not fail. 0: all of it.
    exposed_ns: int = 0
    how: str = ""  # it failed, as `stops-answering` says it
    open_ns: int = 0  # from there to the first bad one: it died somewhere in this
    counts: Mapping[str, float] = field(default_factory=dict)  # what happened in `elapsed_ns`
    ticks: Mapping[str, int] = field(default_factory=dict)  # board's clock at the end: ms, us, s
    episode: Episode | None = None  # it ended with

    @property
    def failed(self) -> bool:
        """Whether it ended by a failure."""
        return self.ended == "failed"

    @property
    def age_ns(self) -> int:
        """Its length for laws of lifetimes, which know no life without a length."""
        return max(self.elapsed_ns, self.open_ns // 2, 1)

    @property
    def exposed_share(self) -> float:
        """The part of its length in which it could have failed."""
        return self.exposed_ns / self.age_ns if 0 < self.exposed_ns < self.age_ns else 1.0

    @property
    def open_share(self) -> float:
        """The part of its length within which the moment of its end is not known."""
        if self.elapsed_ns <= 0:
            return 1.0
        if self.open_ns > 0:
            return self.open_ns / self.elapsed_ns
        return 1 / max(self.counts.get(POLLS, 1.0), 1.0)
