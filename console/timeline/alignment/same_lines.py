"""Which lines of a serial log are which lines of a UART in the capture.

The same bytes were seen twice: on the wire, where every start edge has its time, and by whoever
wrote the log. Lines whose text comes once on both sides and in the same order are the same line;
between two such lines, equal texts in equal order are too. What the log lost or garbled, or the
capture did not see, has no partner.
"""

from __future__ import annotations

from bisect import bisect_left
from difflib import SequenceMatcher
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]

LEAST_LINES = 3  # fewer equal lines may be chance
LONGEST_GAP = 200  # lines between two sure ones that are compared one by one


def same_lines(log: Int64s, wire: Int64s) -> tuple[Int64s, Int64s]:
    """Rows of two sequences of lines that are the same line.

    Args:
        log: int64[n] a key for the text of each line of the log.
        wire: int64[m] the same for the lines decoded from the capture.

    Returns:
        Rows of the log and of the wire, int64[k] each, both rising; none when fewer than three
        lines are sure.
    """
    sure = _sure(log, wire)
    if len(sure) < LEAST_LINES:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    borders = [(-1, -1), *sure, (len(log), len(wire))]
    found: list[tuple[int, int]] = []
    for (a, b), (next_a, next_b) in pairwise(borders):
        if a >= 0:
            found.append((a, b))
        found += _between(log[a + 1 : next_a], wire[b + 1 : next_b], a + 1, b + 1)
    rows = np.array(found, np.int64).reshape(-1, 2)
    return rows[:, 0], rows[:, 1]


def _sure(log: Int64s, wire: Int64s) -> list[tuple[int, int]]:
    """Lines that come once on each side, the longest run of them in the same order."""
    ours, our_at, our_counts = np.unique(log, return_index=True, return_counts=True)
    theirs, their_at, their_counts = np.unique(wire, return_index=True, return_counts=True)
    _, a, b = np.intersect1d(
        ours[our_counts == 1], theirs[their_counts == 1], assume_unique=True, return_indices=True
    )
    rows = np.stack([our_at[our_counts == 1][a], their_at[their_counts == 1][b]], axis=1)
    rows = rows[np.argsort(rows[:, 0])]
    kept = _longest_rising(rows[:, 1].tolist())
    return [(int(x), int(y)) for x, y in rows[kept]]


def _longest_rising(values: list[int]) -> list[int]:
    """Places of the longest rising subsequence (patience sorting, n log n)."""
    tops: list[int] = []  # smallest last value of a rising run of each length
    places: list[int] = []
    before = [-1] * len(values)
    for k, value in enumerate(values):
        at = bisect_left(tops, value)
        before[k] = places[at - 1] if at else -1
        if at == len(tops):
            tops.append(value)
            places.append(k)
        else:
            tops[at], places[at] = value, k
    chain = []
    k = places[-1] if places else -1
    while k >= 0:
        chain.append(k)
        k = before[k]
    return chain[::-1]


def _between(log: Int64s, wire: Int64s, at: int, wire_at: int) -> list[tuple[int, int]]:
    """Equal lines between two sure ones, in equal order."""
    if not len(log) or not len(wire) or len(log) + len(wire) > LONGEST_GAP:
        return []
    if len(log) == len(wire) and (log == wire).all():
        return [(at + k, wire_at + k) for k in range(len(log))]
    blocks = SequenceMatcher(
        None, log.tolist(), wire.tolist(), autojunk=False
    ).get_matching_blocks()
    return [(at + b.a + k, wire_at + b.b + k) for b in blocks for k in range(b.size)]
