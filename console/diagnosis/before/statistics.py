"""How odd a value is among others: counted, never assumed.

Every answer rests on ranks. If the last poll is like those before it, each of n + 1 polls is
equally likely to be the oddest, so P(no more than k of n are as odd) <= (k + 1) / (n + 1), whatever
the measure (the argument of permutation tests). What a measure needs is only to treat all polls
alike: scores below look at a value's neighbours or at what came before it, never at its place.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

LEARNING = 10  # the first tenth of a run is learned from, and not compared with
_KNOWN = 3
LEAST_GROUP = 64  # values of one sort, below which none of them is called odd
DRIFT_ROWS = 513  # a value is compared with the median of so many before it, if there are
_CROWD = 100  # a value is isolated while fewer than 1 in so many of its sort lie near it
_LEAST_CROWD = 8
_TINY = 1e-9


def seen_before(codes: Ints) -> Ints:
    """int64[n]: how many earlier values equal each of n values."""
    n = len(codes)
    if not n:
        return np.empty(0, np.int64)
    order = np.argsort(codes, kind="stable")
    first = np.empty(n, np.bool_)
    first[0] = True
    first[1:] = codes[order][1:] != codes[order][:-1]
    begins = np.flatnonzero(first)
    within = np.arange(n) - np.repeat(begins, np.diff(np.append(begins, n)))
    counts = np.empty(n, np.int64)
    counts[order] = within
    return counts


def codes_of(keys: pl.Series) -> Ints:
    """int64[n]: equal numbers for equal keys; nulls are equal to each other."""
    return keys.rank("dense").fill_null(0).cast(pl.Int64).to_numpy()


def novelty(codes: Ints) -> Floats:
    """How rare each value is: 1 over how often it was there.

    Of a value that was there in the first third all its times count, so that one known to be common
    is common from the start. Of a later one those before it count: what goes on bringing new values
    (a counter, a log of free text) is odd each time, and so never odd at the end.

    Args:
        codes: int64[n] in time order, equal for equal values.

    Returns:
        float64[n] in (0, 1].
    """
    n = len(codes)
    if not n:
        return np.empty(0)
    _, first, inverse, counts = np.unique(
        codes, return_index=True, return_inverse=True, return_counts=True
    )
    known = (first < n // _KNOWN)[inverse]
    times = np.where(known, counts[inverse], 1 + seen_before(codes))
    return 1.0 / times.astype(np.float64)


def isolation(
    values: Floats, groups: Ints, least: float = 0.0, drift_rows: int = DRIFT_ROWS
) -> Floats:
    """How alone each value is among those of its group: far out, or in a hole between crowds.

    The distance to the k-th neighbour on the nearer side, k of a fraction 1/100, in units of that
    distance for the most isolated hundredth of the group: what is far out in a group with long
    tails is less odd than as far out in one without. Slow drift is taken out first: a value is
    compared with the median of those right before it; the first ones with the median of all.

    Args:
        values: float64[n] in time order.
        groups: int64[n]; values of different groups are never compared.
        least: distances below this are none, as between values of one sampling step.
        drift_rows: how many before it; odd. Few follow a wandering value, many keep crowds apart.

    Returns:
        float64[n], 0 for values of groups of fewer than 64.
    """
    scores = np.zeros(len(values))
    order = np.argsort(groups, kind="stable")
    ends = np.flatnonzero(np.diff(groups[order])) + 1
    for rows in np.split(order, ends):
        if len(rows) >= LEAST_GROUP:
            scores[rows] = _isolation(_without_drift(values[rows], drift_rows), max(least, _TINY))
    return scores


def _without_drift(values: Floats, drift_rows: int) -> Floats:
    before = pl.Series(values).rolling_median(drift_rows).shift(1)  # long: crowds must not swap
    usual: Floats = before.fill_null(float(np.median(values))).to_numpy()
    return values - usual


def _isolation(values: Floats, least: float) -> Floats:
    n = len(values)
    k = max(_LEAST_CROWD, n // _CROWD)
    order = np.argsort(values, kind="stable")
    ranked = values[order]
    below = np.full(n, np.inf)
    below[k:] = ranked[k:] - ranked[:-k]
    above = np.full(n, np.inf)
    above[:-k] = ranked[k:] - ranked[:-k]
    apart = np.empty(n)
    apart[order] = np.minimum(below, above)
    usual = max(float(np.quantile(apart, 1 - 1 / _CROWD)), least)
    return np.maximum(apart / usual, 0.0)


def as_odd(scores: Floats, among: Floats) -> Ints:
    """int64[n]: how many of `among` are at least as large as each of n scores."""
    ranked = np.sort(among)
    found: Ints = len(ranked) - np.searchsorted(ranked, scores, side="left").astype(np.int64)
    return found


def rise(values: Floats, groups: Ints) -> Floats:
    """By how much the last 8 values of a group rose, where they rose nearly throughout.

    Args:
        values: float64[n] in time order.
        groups: int64[n].

    Returns:
        float64[n], in the unit of the values; 0 where fewer than 24 of 28 pairs rose.
    """
    found = np.zeros(len(values))
    order = np.argsort(groups, kind="stable")
    ends = np.flatnonzero(np.diff(groups[order])) + 1
    for rows in np.split(order, ends):
        if len(rows) >= LEAST_GROUP:
            last = np.lib.stride_tricks.sliding_window_view(values[rows], 8)
            pairs = sum(
                (last[:, b] > last[:, a]).astype(np.int64) for b in range(8) for a in range(b)
            )
            found[rows[7:]] = np.where(pairs >= 24, last[:, -1] - last[:, 0], 0.0)
    return found


def largest_of(scores: Floats, unit: Ints, units: int) -> tuple[Floats, Ints]:
    """Of every unit the largest score and the row that has it first; 0 and -1 where it has none.

    Args:
        scores: float64[n], none negative.
        unit: int64[n] in any order, each below `units`; negative ones count nowhere.
        units: how many there are.
    """
    largest, rows = np.zeros(units), np.full(units, -1, np.int64)
    inside = np.flatnonzero(unit >= 0)
    if len(inside) and (np.diff(unit[inside]) < 0).any():
        inside = inside[np.argsort(unit[inside], kind="stable")]
    if not len(inside):
        return largest, rows
    own = unit[inside]
    begins = np.flatnonzero(np.append(True, own[1:] != own[:-1]))
    largest[own[begins]] = np.maximum.reduceat(scores[inside], begins)
    best = inside[scores[inside] == largest[own]]
    first = np.append(True, unit[best][1:] != unit[best][:-1])
    rows[unit[best[first]]] = best[first]
    return largest, rows
