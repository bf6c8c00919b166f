"""What a user leaves behind in a run: marks, columns, what was acknowledged, the place."""

from __future__ import annotations

import msgspec


class Mark(msgspec.Struct):
    """A moment the user named."""

    t_ns: int  # common axis
    note: str = ""


class Kept(msgspec.Struct, kw_only=True):
    """All of it, as it stands in the state file; times in ns on the common axis."""

    schema: int = 1
    marks: list[Mark] = []
    columns: list[str] = []  # parties in the order the user wants; others follow
    hidden: list[str] = []  # parties not shown
    acknowledged: dict[str, str] = {}  # finding (rule, party, words) -> note
    place_ns: int | None = None
    depth: str = "events"
    filter: str = ""  # the filter line
