"""Decimal numbers of many lines at once: eight ASCII digits in one 64-bit word.

The digits of a word are added pairwise, then by fours, then all (each step is one multiplication
for all lanes), so that no digit is looked at alone. A number of more than eight digits is cut into
groups of eight from the right; where the upper groups are the same in all rows, as in a stretch of
time stamps, they are read once.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Words = npt.NDArray[np.uint64]

GROUP = 8  # digits of a 64-bit word
MOST_GROUPS = 3  # 24 digits: seconds since 1970 in ps have 22
ZEROS = np.uint64(0x3030303030303030)
_TOP_BITS = np.uint64(0x8080808080808080)
_TO_TOP = np.uint64(0x7676767676767676)  # 9 + 0x76 = 0x7F, 10 + 0x76 = 0x80
# Keeps the last k characters of a little-endian word, k = 0..8.
LAST = np.array([((1 << 64) - 1) << 8 * (8 - k) & ((1 << 64) - 1) for k in range(9)], np.uint64)
_STEPS = (
    (np.uint64(10 * 256 + 1), np.uint64(8), np.uint64(0x00FF00FF00FF00FF)),
    (np.uint64(100 * 65536 + 1), np.uint64(16), np.uint64(0x0000FFFF0000FFFF)),
    (np.uint64(10000 * (1 << 32) + 1), np.uint64(32), None),
)


def all_digits(words: Words) -> bool:
    """Whether all bytes (ASCII minus 0x30) are 0..9."""
    top = np.bitwise_or.reduce((words + _TO_TOP) | words) if len(words) else np.uint64(0)
    return not top & _TOP_BITS


def first_without_digits(words: Words) -> int:
    """Index of the first word with a byte that is not 0..9; there must be one."""
    return int(np.argmax((((words + _TO_TOP) | words) & _TOP_BITS) != 0))


def numbers_in_place(words: Words) -> None:
    """Turn words of eight digits 0..9, the first in the lowest byte, into their numbers."""
    for factor, shift, lanes in _STEPS:
        np.multiply(words, factor, out=words)
        np.right_shift(words, shift, out=words)
        if lanes is not None:
            np.bitwise_and(words, lanes, out=words)


def number(word: int) -> int:
    """The number of one such word."""
    return int("".join(str(word >> 8 * k & 0xFF) for k in range(GROUP)))
