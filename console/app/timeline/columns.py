"""Where the columns of the timeline stand for a width, and which of them fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

GUTTER = 15  # cursor, bracket, time
LEAST_COLUMN = 15  # cells of a column, its lifeline included


@dataclass(frozen=True, slots=True)
class Column:
    """One party's column."""

    party: int  # index into Parties.every
    x: int  # of its lifeline
    width: int  # from its lifeline up to the next


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns that fit, left to right, and the parties at either side that do not."""

    every: tuple[Column, ...]
    left: tuple[int, ...]
    right: tuple[int, ...]
    width: int  # of the whole row

    def of(self, party: int) -> int | None:
        """Which of the columns is a party's.

        -1 and as many as there are stand for one beside the screen, left or right; None for one
        that is hidden.
        """
        if party in self.left:
            return -1
        if party in self.right:
            return len(self.every)
        return next((k for k, column in enumerate(self.every) if column.party == party), None)


def columns_for(parties: Sequence[int], width: int, chosen: int) -> Columns:
    """Lay out the parties that fit, the chosen one among them.

    Args:
        parties: indices into Parties.every, in the user's order, hidden ones left out.
        width: cells of a row.
        chosen: position in `parties` of the one that must be seen.
    """
    room = max(width - GUTTER, LEAST_COLUMN)
    fit = max(1, min(len(parties), room // LEAST_COLUMN))
    first = min(max(chosen - fit + 1, 0), max(len(parties) - fit, 0))
    shown = parties[first : first + fit]
    each, rest = divmod(room, max(len(shown), 1))
    x, columns = GUTTER, []
    for k, party in enumerate(shown):
        own = each + (k < rest)
        columns.append(Column(party, x, own))
        x += own
    left, right = tuple(parties[:first]), tuple(parties[first + len(shown) :])
    return Columns(tuple(columns), left, right, width)


def ordered(names: Sequence[str], wanted: Sequence[str], hidden: Sequence[str]) -> list[int]:
    """Indices of parties in the user's order; those the user did not name follow in theirs."""
    known = [names.index(name) for name in wanted if name in names]
    rest = [k for k in range(len(names)) if k not in known]
    return [k for k in known + rest if names[k] not in hidden]
