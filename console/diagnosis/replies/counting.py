"""Counters inside replies: bytes that count on by one step each time, and where they jump."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from console.diagnosis.replies.stream import Bytes, Ints, Truths
from console.diagnosis.replies.usual import FEWEST

FEWEST_STEADY = 0.95  # share of steps that must be equal
GIVEN_BACK = 0.95  # share of replies that must carry what was written


def counters(data: Bytes, good: Truths) -> list[tuple[int, int, int]]:
    """The bytes that count: place, step and the number after which they begin again.

    A byte counts modulo 256, or up to the largest value it ever had. Of a wider counter that is its
    last byte, as the others move too seldom to be counted by.

    Args:
        data: uint8[n, k] of one shape, in time order.
        good: bool[n] those that count.
    """
    at = np.flatnonzero(good)
    if len(at) < FEWEST:
        return []
    values_of = data[at].astype(np.int64)
    steps = (values_of[1:] - values_of[:-1]) & 0xFF
    found = []
    for place in range(data.shape[1]):  # of one reply: some tens
        values = values_of[:, place]
        step = int(np.bincount(steps[:, place], minlength=256).argmax())
        if step == 0:
            continue
        modulus = _modulus(values, step)
        steady = ((np.diff(values) - step) % modulus == 0).mean()
        if steady >= FEWEST_STEADY:
            found.append((place, step, modulus))
    return found


def _modulus(values: Ints, step: int) -> int:
    """Where a counter begins again: at 256, or above the largest value it had."""
    top = int(values.max()) + 1
    low = (top - step) % 256
    falls = values[1:][np.diff(values) < 0]
    # a counter that begins again at its lowest value each time it passes its largest one
    if step < 128 and len(falls) >= 2 and low > step and int(values.min()) == 0 and top < 256:
        share = float((falls < step).mean())
        return top if share >= FEWEST_STEADY else 256
    return 256


def jumps(data: Bytes, good: Truths, counter: tuple[int, int, int]) -> tuple[Truths, Ints]:
    """Where a counter did not count on as it does.

    Replies left out as bad count as taken: the target counted on behind them.

    Args:
        data: uint8[n, k].
        good: bool[n] those that count.
        counter: place, step, and the number after which it begins again.

    Returns:
        bool[n], and by how much more (or less) than its step it moved, int64[n].
    """
    place, step, modulus = counter
    at = np.flatnonzero(good)
    values = data[at, place].astype(np.int64)
    expected = step * np.diff(at)
    off: npt.NDArray[np.int64] = (np.diff(values) - expected) % modulus
    off = np.where(off > modulus // 2, off - modulus, off)
    # replies left out may or may not have made it count
    excused = (np.diff(at) > 1) & (off < 0) & (off >= step - expected)
    found = np.zeros(len(data), np.bool_)
    by = np.zeros(len(data), np.int64)
    found[at[1:]] = (off != 0) & ~excused
    by[at[1:]] = off
    return found, by


def given_back(values: Bytes, told: Bytes) -> bool:
    """Whether a byte of the replies is one that was written to the target before.

    Args:
        values: uint8[n] that byte.
        told: uint8[n, q] what was last written before each.
    """
    return bool(len(values) and ((told == values[:, np.newaxis]).mean(axis=0) >= GIVEN_BACK).any())
