"""The last good events of a kind before one event, found without walking the whole table.

The search goes backwards in windows that grow, each a vectorised pass, so that the usual case (a
good one a few rows back) costs microseconds and the worst one is bounded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

Rows = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

MOST_SEARCHED = 1 << 19  # rows: 3 to 8 ms
MOST_REFINED = 4096  # rows of which a costly condition is asked
_FIRST, _GROWS, _BATCH = 256, 8, 512
WANTED = 3  # two steps: one alone makes no counter


@dataclass(frozen=True, slots=True)
class Past:
    """Good rows of a kind before a row, newest first."""

    rows: tuple[int, ...]
    steps: tuple[int, ...]  # rows of the kind, good and bad, from each to the one after it
    searched: int  # rows that were looked at
    is_whole: bool  # looked back to the first row, or found all that was wanted

    def none_words(self, what: str) -> str:
        """Why there is nothing to compare with."""
        if self.is_whole:
            return f"no good {what} before it to compare with"
        return f"no good {what} in the {self.searched:,} rows before it"


def good_before(
    table: pl.DataFrame,
    row: int,
    same: pl.Expr,
    good: pl.Expr | None = None,
    refine: Callable[[Rows], Mask] | None = None,
) -> Past:
    """The last `WANTED` good rows of the same kind before a row.

    Args:
        table: in time order.
        row: the row whose past is asked for.
        same: whether a row is of the same kind; quick to tell.
        good: whether it is as it should be; None: every row is.
        refine: of candidate rows, whether they really are of the kind; slow to tell.
    """
    past = _Search(refine)
    end, width = row, _FIRST
    while end > max(0, row - MOST_SEARCHED) and not past.is_over:
        begin = max(0, row - MOST_SEARCHED, end - width)
        window = table.slice(begin, end - begin)
        rows = np.flatnonzero(_mask(window, same))[::-1]
        if len(rows):
            is_good = np.True_ if good is None else _mask(window, good)[rows]
            past.take(rows + begin, np.broadcast_to(is_good, rows.shape))
        end, width = begin, width * _GROWS
    if past.left <= 0:
        end = past.lowest  # what lies before it was not asked
    done = len(past.rows) == WANTED or (end == 0 and past.left > 0)
    return Past(tuple(past.rows), tuple(past.steps), row - end, done)


def _mask(window: pl.DataFrame, claim: pl.Expr) -> Mask:
    mask: Mask = window.select(claim.fill_null(value=False).alias("is")).to_series().to_numpy()
    return mask


class _Search:
    """What was found so far."""

    def __init__(self, refine: Callable[[Rows], Mask] | None) -> None:
        self._refine = refine
        self.left = MOST_REFINED
        self.rows: list[int] = []
        self.steps: list[int] = []
        self.lowest = 0  # the last row that was refined
        self._passed = 0  # of the kind since the last good one

    @property
    def is_over(self) -> bool:
        return len(self.rows) == WANTED or self.left <= 0

    def take(self, rows: Rows, good: Mask) -> None:
        """Candidates of one window, newest first."""
        for kept, is_good in self._refined(rows, good):
            places = np.flatnonzero(is_good)[: WANTED - len(self.rows)]
            behind = -self._passed - 1
            for place in places.tolist():
                self.rows.append(int(kept[place]))
                self.steps.append(place - behind)
                behind = place
            self._passed = len(kept) - behind - 1
            if self.is_over:
                return

    def _refined(self, rows: Rows, good: Mask) -> Iterator[tuple[Rows, Mask]]:
        if self._refine is None:
            yield rows, good
            return
        for at in range(0, len(rows), _BATCH):
            batch = rows[at : at + min(_BATCH, self.left)]
            self.left -= len(batch)
            self.lowest = int(batch[-1])
            kept = self._refine(batch)
            yield batch[kept], good[at : at + len(batch)][kept]
            if self.left <= 0:
                return
