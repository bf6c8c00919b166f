"""Rows of a recording that stand in it twice, to the last digit of their stamps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

_COARSE_NS = 10_000_000  # stamps that are all multiples of this may well be equal


@dataclass(frozen=True, slots=True)
class Repeat:
    """Neighbouring rows that repeat neighbouring rows."""

    first: int  # row
    last: int
    original: int  # the row that `first` repeats


def repeats(stamp: npt.NDArray[np.int64], texts: Sequence[pl.Series]) -> list[Repeat]:
    """Rows that were there before with the same stamp and texts, told run by run.

    Where stamps are coarse, only a run that steps back in time counts.

    Args:
        stamp: int64[n] as recorded.
        texts: columns of n.
    """
    if not len(stamp):
        return []
    columns = {f"text{k}": text for k, text in enumerate(texts)}
    keys = pl.DataFrame({"stamp": stamp, **columns}).with_row_index("row")
    names = ["stamp", *columns]
    original = keys.select(pl.col("row").min().over(names)).to_series().to_numpy().astype(np.int64)
    row = np.arange(len(stamp))
    again = np.flatnonzero(original < row)
    if not len(again):
        return []
    apart = np.flatnonzero((np.diff(again) > 1) | (np.diff(original[again]) != 1)) + 1
    coarse = bool((stamp % _COARSE_NS == 0).all())
    found = []
    for run in np.split(again, apart):
        first, last = int(run[0]), int(run[-1])
        if not coarse or stamp[first] < stamp[first - 1]:
            found.append(Repeat(first, last, int(original[first])))
    return found


def repeated_rows(found: Sequence[Repeat], n: int) -> npt.NDArray[np.bool_]:
    """bool[n]: the rows that are repeats."""
    marks = np.zeros(n, np.bool_)
    for each in found:
        marks[each.first : each.last + 1] = True
    return marks
