"""What replies of one shape usually look like: how surprising each byte of each reply is.

Each byte is compared with the middle of its neighbours in time, which for a constant is the
constant and for a slow value the value. How far bytes of one place usually are from that is
counted; from the counts a distance has a surprise in bits. So constants and the high bytes of slow
values say much, noise says nothing, and nobody had to describe anything. Counters are seen through:
their own step is taken out first.

A hypothesis (the bytes are swapped, the reply begins with a leftover) is worth the bits of surprise
that it takes away. By the likelihood ratio a wrong one is worth g bits once in 2 ** g replies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.diagnosis.replies.stream import Bytes, Ints, Truths

Bits = npt.NDArray[np.float32]

# Neighbours looked at, before and after: close ones for what moves, far ones to see over a few
# wrong replies in a row.
_AWAY = (1, 2, 4, 8, 16, 32, 64)
_FARTHEST = 128  # largest distance of two bytes on a circle of 256
# A distance beyond all that came surprises by a bit more for each step, up to so many.
_FARTHER_BITS = 13.0
_WITHIN_BITS = 4.0  # one that did not come by chance
# Beyond three times what nine in ten distances are, and 8 more, a distance is far off.
_MOST_FAR, _FAR, _FAR_BYTES = 0.9, 3, 8
STEADY = 0.9  # share of steps that must be equal for a byte to be a counter
FEWEST = 24  # replies of a shape from which anything is learned
_BLOCK = 16_384  # replies looked at at once


@dataclass(frozen=True, slots=True, eq=False)
class Usual:
    """What was learned of n replies of one shape and k bytes."""

    data: Bytes  # [n, k]
    middle: Bytes  # [n, k] what the neighbours let one expect
    table: Bits  # [k, 129] surprise of each distance, what is far off left out of the counts
    plain: Bits  # [k, 129] the same with all that came
    step: Ints  # [k] by which a byte counts on from reply to reply, modulo 256; 0: it is no counter
    good: Truths  # [n] replies it was learned from
    known: Ints  # those of them that others are compared with

    def bits(self, place: int, values: Bytes, at: Ints, *, plain: bool = False) -> Bits:
        """How surprising bytes would be at one place of some replies.

        Args:
            place: 0 <= place < k.
            values: uint8[m].
            at: int64[m] replies.
            plain: count what is far off, too: a status bit that is set now and then.
        """
        table = self.plain if plain else self.table
        found: Bits = table[place, _distance(values, self.middle[at, place])]
        return found

    def as_beside(self, at: Ints) -> Bits:
        """How surprising replies are beside those behind them, or before them, whichever is less.

        A value that steps for good is as those behind it are.
        """
        found = np.full(len(at), np.inf, np.float32)
        for side in (-1, 1):
            middle = _middle(self.data, self.known, at, self.step, (side,), _AWAY[:3])
            apart = _distance(self.data[at], middle)
            bits = np.take_along_axis(self.table, apart.T, axis=1).sum(axis=0)
            found = np.minimum(found, bits)
        return found

    @property
    def surprise(self) -> Bits:
        """[n, k] of the bytes as they are."""
        n, k = self.data.shape
        found = np.empty((n, k), np.float32)
        for place in range(k):  # of one reply: some tens
            found[:, place] = self.table[
                place, _distance(self.data[:, place], self.middle[:, place])
            ]
        return found


def learned(data: Bytes, good: Truths, odd: Truths | None = None) -> Usual:
    """What replies of one shape look like.

    Args:
        data: uint8[n, k] in time order, k at least 1.
        good: bool[n] those that may be learned from; if there are none, all are.
        odd: bool[n] those among them that surprise; none is a neighbour to compare others with.
    """
    counted = np.flatnonzero(good) if good.any() else np.arange(len(data))
    known = counted if odd is None or odd[counted].all() else counted[~odd[counted]]
    step = _steps(data[known], known)
    middle = np.empty_like(data)
    for first in range(0, len(data), _BLOCK):
        at = np.arange(first, min(first + _BLOCK, len(data)))
        middle[at] = _middle(data, known, at, step)
    distance = _distance(data[counted], middle[counted])
    plain = np.stack([_surprises(column) for column in distance.T])
    table = np.stack([_surprises(column[column <= _near(column)]) for column in distance.T])
    return Usual(data, middle, table, plain, step, good, known)


def _near(distance: npt.NDArray[np.intp]) -> float:
    """Up to where distances are those of noise: faults that recur would pass for usual else."""
    return float(_FAR * np.quantile(distance, _MOST_FAR) + _FAR_BYTES) if len(distance) else 0.0


def _steps(data: Bytes, at: Ints) -> Ints:
    """By which step each byte counts on, 0 for none."""
    if len(data) < FEWEST:
        return np.zeros(data.shape[1], np.int64)
    beside = np.diff(at) == 1
    steps = (data[1:] - data[:-1])[beside]
    if not len(steps):
        return np.zeros(data.shape[1], np.int64)
    usual = np.sort(steps, axis=0)[len(steps) // 2]
    steady = (steps == usual).mean(axis=0) >= STEADY
    found: Ints = np.where(steady, usual, 0).astype(np.int64)
    return found


def _middle(
    data: Bytes,
    known: Ints,
    at: Ints,
    step: Ints,
    sides: tuple[int, ...] = (-1, 1),
    how_far: tuple[int, ...] = _AWAY,
) -> Bytes:
    """The median of the neighbours of some replies among known ones, each counter counted on."""
    place = np.searchsorted(known, at)
    itself = (place < len(known)) & (known[np.minimum(place, len(known) - 1)] == at)
    near = []
    for away in how_far:
        if -1 in sides:
            near.append(known[np.maximum(place - away, 0)])
        if 1 in sides:
            near.append(known[np.minimum(place + itself + away - 1, len(known) - 1)])
    index = np.stack(near)  # [of both sides 14, m]
    values = data[index].astype(np.int16)
    if step.any():
        on = ((at - index)[:, :, np.newaxis] * step) & 0xFF
        values = ((values + on) & 0xFF).astype(np.int16)
    # around the nearest neighbour, or 0 and 255 would be far apart
    around = values[0]
    apart = ((values - around + 128) & 0xFF) - 128
    apart.partition(len(near) // 2, axis=0)
    middle: Bytes = ((apart[len(near) // 2] + around) & 0xFF).astype(np.uint8)
    return middle


def _distance(values: Bytes, others: Bytes) -> npt.NDArray[np.intp]:
    """How far apart bytes are on a circle of 256: 0..128."""
    apart = values.astype(np.int16) - others
    found: npt.NDArray[np.intp] = np.minimum(apart & 0xFF, -apart & 0xFF).astype(np.intp)
    return found


def _surprises(distance: npt.NDArray[np.intp]) -> Bits:
    """Bits of surprise of each distance, by how often each came."""
    counts = np.bincount(distance, minlength=_FARTHEST + 1).astype(np.float64)
    last = int(np.flatnonzero(counts)[-1]) if counts.any() else 0
    # a little of each count goes to its neighbours; beyond the last, ever less is expected
    spread = np.convolve(counts, [0.1, 0.8, 0.1], "same") if (counts > 0).sum() > 2 else counts
    beyond = np.maximum(np.arange(_FARTHEST + 1) - last, 0)
    unseen = np.where(beyond > 0, 2.0 ** -np.minimum(beyond, _FARTHER_BITS), 2.0**-_WITHIN_BITS)
    expected = spread + unseen
    values = np.full(_FARTHEST + 1, 2.0)  # a distance stands for two values
    values[[0, _FARTHEST]] = 1.0
    bits: Bits = -np.log2(expected / expected.sum() / values).astype(np.float32)
    return bits
