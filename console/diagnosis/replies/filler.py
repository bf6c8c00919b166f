"""Replies of nothing but filler: new to a target, or what it says while it is idle.

FF is what a released line reads as, and what a target may say that has nothing to say: a pad that
nobody touches, a queue that is empty. Where no check code tells, a target that begins with it, says
it often and goes on to say other things is taken to be idle.
"""

from __future__ import annotations

import numpy as np

from console.diagnosis.replies.check_formula import Formula
from console.diagnosis.replies.otherwise import FILLERS
from console.diagnosis.replies.stream import Bytes, Truths
from console.diagnosis.replies.usual import FEWEST

NEW_FILLER = 0.05  # share of filler among the replies beyond which it is nothing new
# Shares of filler, of all replies and of the first ones, beyond which it is said when idle.
IDLE_FILLER, IDLE_FIRST = 0.2, 0.5
_FIRST = 20  # the first ones: one in so many


def filler_of(data: Bytes, formula: Formula | None) -> tuple[Truths, Truths]:
    """Replies of nothing but filler: what is new to the target, and what it says when idle.

    Args:
        data: uint8[n, k] of one shape, in time order.
        formula: how its replies are checked, where that is known: filler that it does not fit was
            not said by the target.

    Returns:
        bool[n] each; of a target that says it now and then all along, neither.
    """
    new, idle = np.zeros(len(data), np.bool_), np.zeros(len(data), np.bool_)
    said = [(data == value).all(axis=1) for value in FILLERS]
    if data.shape[1] < 2 or (~np.any(said, axis=0)).sum() < FEWEST:
        return new, idle  # what says nothing else says it so
    for whole in said:
        if _is_idle(whole) and (formula is None or formula.fits(data[whole]).all()):
            idle |= whole
        elif _is_seldom(whole):
            new |= whole
    return new, idle


def _is_seldom(whole: Truths) -> bool:
    """Whether passages of filler are few beside the replies with content.

    Args:
        whole: bool[n] replies of nothing but one filler.
    """
    begins = whole & ~np.append(False, whole[:-1])
    return bool(begins.sum() <= NEW_FILLER * (~whole).sum())


def _is_idle(whole: Truths) -> bool:
    """Whether filler is what a target says that has nothing to say: often, and from the start on.

    What is often filler after it said other things, and for good, is new.

    Args:
        whole: bool[n] replies of nothing but one filler.
    """
    first = whole[: max(FEWEST, len(whole) // _FIRST)]
    goes_on = (whole[:-1] & ~whole[1:]).any()
    return bool(goes_on and whole.mean() > IDLE_FILLER and first.mean() > IDLE_FIRST)


class FillerWords:
    """Whose filler it is, by its check code."""

    def __init__(self, data: Bytes, formula: Formula | None) -> None:
        self._right = None if formula is None else formula.fits(data)

    def __call__(self, at: int) -> str:
        """Words to stand behind those of the filler, of one reply."""
        if self._right is None:
            return ": a released line, or the target says so"
        if self._right[at]:
            return ", with the right check code: the target says so"
        return ", the check code too: nobody drove the line"
