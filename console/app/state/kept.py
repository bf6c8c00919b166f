"""What a user leaves behind in a run: marks, columns, what was acknowledged, the place.

Plain structs, as they stand in the state file. What screens need of them in other forms (the
decisions about clocks, in columns) is made where it is needed.
"""

from __future__ import annotations

import msgspec


class Mark(msgspec.Struct):
    """A moment the user named."""

    t_ns: int  # common axis
    note: str = ""


class KeptAnchor(msgspec.Struct, frozen=True):
    """An anchor by what stands in the sources, so that it is found again after any alignment."""

    name: str  # of the value
    other: str  # the other source
    native_ns: int  # of its own event


class KeptOffset(msgspec.Struct, frozen=True):
    """An offset chosen by hand, said for one moment."""

    native_ns: int
    gap_ns: int


class KeptDecisions(msgspec.Struct, frozen=True):
    """What was decided about the clock of one source."""

    rejected: tuple[KeptAnchor, ...] = ()
    accepted: tuple[KeptAnchor, ...] = ()
    placed: tuple[KeptOffset, ...] = ()


class KeptOutcome(msgspec.Struct, frozen=True):
    """What came of an experiment the program proposed, by their names in its table."""

    experiment: str
    outcome: str


class Kept(msgspec.Struct, kw_only=True):
    """All of it, as it stands in the state file; times in ns on the common axis."""

    schema: int = 1
    marks: list[Mark] = []
    columns: list[str] = []  # parties in the order the user wants; others follow
    hidden: list[str] = []  # parties not shown
    acknowledged: dict[str, str] = {}  # finding (rule, party, words) -> note
    decisions: dict[str, KeptDecisions] = {}  # source -> what was decided about its clock
    outcomes: dict[str, list[KeptOutcome]] = {}  # device -> of experiments on it
    place_ns: int | None = None
    depth: str = "events"
    filter: str = ""  # the filter line
