"""Templates of shaped lines, and the 64-bit words their digits are read by."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from decoders.captures.delimited_shape import Shape

Bytes = npt.NDArray[np.uint8]

MATRIX_BYTES = 128 * 1024  # of text at a time: with its scratch it stays in the cache
_DIGITS = bytes.maketrans(b"123456789", b"000000000")
ALL_BYTES = np.uint64(2**64 - 1)


@dataclass(frozen=True, slots=True)
class Word:
    """Up to eight digits in the eight bytes that end with the last of them."""

    begin: int  # place of the first byte; may lie up to 7 before the line
    keep: np.uint64  # bytes that hold its digits; all ones when the others are always 0
    above_gap: np.uint64  # bytes before a decimal point inside, to be moved over it; 0 for none
    digits: int
    worth: int


@dataclass(slots=True)
class Variant:
    """A shape with the digits before place `fixed` taken into the template (0: with none)."""

    fixed: int
    words: tuple[Word, ...]
    prefix: bytes = b""
    base: int = 0
    template: Bytes = field(default_factory=lambda: np.empty(0, np.uint8))
    limit: Bytes = field(default_factory=lambda: np.empty(0, np.uint8))


class ShapedLines:
    """What is needed again and again to read the lines of one shape."""

    def __init__(self, shape: Shape) -> None:
        self.shape = shape
        self.length = len(shape.line)
        self.rows_at_once = max(1, MATRIX_BYTES // self.length)
        places = [digit.at for digit in shape.digits]
        fixes = {0}
        if places:
            window = places[-1] - 7
            point = next((b for a, b in pairwise(places) if b != a + 1), 0)
            fixes |= {fix for fix in (window, point) if fix > places[0] and fix >= window}
        self._fixes = sorted(fixes, reverse=True)
        self._first = places[0] if places else 0
        self._variants: dict[int, Variant] = {}

    def variant(self, first: bytes, last: bytes, rows: int) -> Variant:
        """The variant for lines from `first` to `last`, with room for `rows` of them."""
        fixed = next(fix for fix in self._fixes if not fix or self._agree(fix, first, last))
        variant = self._variants.get(fixed)
        if variant is None:
            variant = self._variants[fixed] = Variant(fixed, _words(self.shape, fixed))
        size = rows * self.length
        if len(variant.template) < size:
            size = min(1 << (size - 1).bit_length(), self.rows_at_once * self.length)
            rows = -(-size // self.length)
            variant.template = np.tile(np.frombuffer(self._template(first, fixed), np.uint8), rows)
            variant.limit = np.tile(np.frombuffer(self._limit(fixed), np.uint8), rows)
            variant.prefix, variant.base = b"", 0
        if variant.prefix != first[self._first : fixed] or (not fixed and not variant.base):
            self._set_prefix(variant, first)
        return variant

    def _agree(self, fix: int, first: bytes, last: bytes) -> bool:
        """Whether two lines agree in the digits before `fix`, and have the shape there.

        A line of another shape may stand first: its bytes must not get into the template.
        """
        begin = self._first
        if first[begin:fix] != last[begin:fix]:
            return False
        return first[begin:fix].translate(_DIGITS) == self.shape.template[begin:fix]

    def _template(self, line: bytes, fixed: int) -> bytes:
        template, begin = self.shape.template, self._first
        return template if not fixed else template[:begin] + line[begin:fixed] + template[fixed:]

    def _limit(self, fixed: int) -> bytes:
        most, begin = self.shape.most, self._first
        return most if not fixed else most[:begin] + bytes(fixed - begin) + most[fixed:]

    def _set_prefix(self, variant: Variant, line: bytes) -> None:
        columns = variant.template[: len(variant.template) // self.length * self.length]
        matrix = columns.reshape(-1, self.length)
        for at in range(self._first, variant.fixed):
            if matrix[0, at] != line[at]:
                matrix[:, at] = line[at]
        variant.prefix = line[self._first : variant.fixed]
        variant.base = self.shape.rest_ns + sum(
            (line[digit.at] - 48) * 10**digit.power
            for digit in self.shape.digits
            if digit.at < variant.fixed
        )


def _words(shape: Shape, fixed: int) -> tuple[Word, ...]:
    """Cut the digits that vary into words, from the last digit back."""
    left = [digit for digit in shape.digits if digit.at >= fixed]
    words = []
    while left:
        last = left[-1]
        taken = [digit for digit in left if digit.at > last.at - 8]
        steps = [b.at - a.at for a, b in pairwise(taken)]
        while sum(step - 1 for step in steps) > 1:  # one gap of one byte at most
            taken, steps = taken[1:], steps[1:]
        left = left[: -len(taken)]
        begin = last.at - 7
        places = {digit.at - begin for digit in taken}
        gap = next((k for k in range(min(places), 8) if k not in places), 0)
        others = [k for k in range(8) if k not in places and _varies(shape, begin + k, fixed)]
        words.append(
            Word(
                begin,
                np.uint64(_byte_mask(places) if others else int(ALL_BYTES)),
                np.uint64(_byte_mask(set(range(gap)))),
                len(taken),
                10**last.power,
            )
        )
    return tuple(words)


def _varies(shape: Shape, at: int, fixed: int) -> bool:
    if at < 0:  # the end of the line before
        return bool(shape.most[at % len(shape.most)])
    return bool(shape.most[at]) and not (shape.digits[0].at <= at < fixed)


def _byte_mask(places: set[int]) -> int:
    return sum(0xFF << 8 * k for k in places)
