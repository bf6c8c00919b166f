"""Lines of one shape as a byte matrix: the fast way to read delimited captures.

Theory of operation. `n` lines of equal length L are `n * L` bytes without looking for line ends.
From them the template (all fixed bytes, and `0` at each digit) is subtracted; where every byte is
then at most its limit (9 for a digit, 1 for a level, 0 for the rest) all n lines have the shape,
line ends included. That is one contiguous pass, about 1.5 ns a line. The digits now stand as bytes
0..9, and eight of them are one 64-bit word per line: three multiplications add neighbours in pairs
(10 : 1, then 100 : 1, then 10000 : 1) until the word holds their number. Where the first and the
last of the lines agree in the leading digits, those are put into the template, which leaves one
word for most captures. All arrays are kept and written in place: fresh ones would be given back to
the system and faulted in again for every block, which costs more than the arithmetic.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from decoders.captures.delimited_shape import LevelBytes
from decoders.captures.delimited_template import ALL_BYTES, Bytes, ShapedLines, Variant, Word
from decoders.captures.edges import Levels

Words = npt.NDArray[np.uint64]
Times = npt.NDArray[np.int64]

_LEAD = 8  # bytes before the first line, so that its words may begin there
_HEX = np.full(256, 255, np.uint8)
_HEX[:10] = np.arange(10)
_HEX[17:23] = np.arange(10, 16)
_HEX[49:55] = np.arange(10, 16)
_SWAR = tuple(
    (np.uint64(factor), np.uint64(shift), np.uint64(mask))
    for factor, shift, mask in (
        (10 * 2**8 + 1, 8, 0x00FF00FF00FF00FF),
        (100 * 2**16 + 1, 16, 0x0000FFFF0000FFFF),
        (10000 * 2**32 + 1, 32, 0xFFFFFFFFFFFFFFFF),
    )
)


class Matrix:
    """Scratch for reading up to `rows_at_once` lines of one shape.

    The methods go together: `check` takes the lines in, the others read them.
    """

    def __init__(self, period_ns: Fraction | None) -> None:
        """`period_ns` is ns a sample where times are sample numbers, else None."""
        self._period_ns = period_ns
        self._text = np.zeros(_LEAD, np.uint8)
        self._bad = np.zeros(0, np.bool_)
        self._word = np.zeros(0, np.uint64)
        self._half = np.zeros(0, np.uint32)
        self._spare = np.zeros(0, np.uint64)
        self._lines = ShapedLines.__new__(ShapedLines)
        self._variant = Variant(0, ())
        self._rows = 0

    def check(self, lines: ShapedLines, text: Bytes, rows: int) -> Bytes | None:
        """Take lines; None when all have the shape, else what marks their odd bytes.

        Args:
            lines: their shape.
            text: uint8[rows * length]; rows at most `lines.rows_at_once`.
            rows: how many lines.

        Returns:
            uint8[rows * length], 1 at bytes that do not fit, valid until the next call; or None.
        """
        size = rows * lines.length
        self._reserve(size, rows)
        first = text[: lines.length].tobytes()
        last = text[size - lines.length : size].tobytes()
        variant = lines.variant(first, last, rows)
        taken = self._text[_LEAD : _LEAD + size]
        bad = self._bad[:size]
        np.subtract(text[:size], variant.template[:size], out=taken)
        np.greater(taken, variant.limit[:size], out=bad)
        self._lines, self._variant, self._rows = lines, variant, rows
        odd = bool(bad.any())
        for level in lines.shape.levels:
            odd |= level.kind == "hex" and self._check_hex(level)
        return bad.view(np.uint8) if odd else None

    def levels(self, out: Levels) -> None:
        """Write the level words of the lines taken."""
        shape = self._lines.shape
        matrix = self._matrix()
        out.fill(shape.word)
        for level in shape.levels:
            column = matrix[:, level.at[0]]
            if level.kind == "bit" and not level.bit:
                np.bitwise_or(out, column, out=out, casting="unsafe")
            elif level.kind in ("bit", "number"):
                self._shifted(column, level.bit, out)
            elif level.kind == "hex":
                for k, at in enumerate(reversed(level.at)):
                    part = _HEX[matrix[:, at]]
                    self._shifted(part, level.bit + 4 * k, out)
            else:
                self._shifted(self._high(level), level.bit, out)

    def _shifted(self, part: npt.NDArray[np.uint8 | np.bool_], bit: int, out: Levels) -> None:
        """Put a part of the level word into its place."""
        kind = out.dtype.type
        spare = self._spare[: len(part)].view(kind)[: len(part)]
        np.left_shift(part, kind(bit), out=spare, dtype=kind, casting="unsafe")
        np.bitwise_or(out, spare, out=out)

    def _high(self, level: LevelBytes) -> npt.NDArray[np.bool_]:
        matrix = self._matrix()
        value = matrix[:, level.at[0]].astype(np.int64)
        for at in level.at[1:]:
            value *= 10
            value += matrix[:, at]
        limit = max(-1, min(level.limit, 10**16))
        return value <= limit if level.negative else value >= limit

    def _check_hex(self, level: LevelBytes) -> bool:
        matrix = self._matrix()
        odd = False
        bad = self._bad[: self._rows * self._lines.length].reshape(self._rows, self._lines.length)
        for at in level.at:
            wrong = _HEX[matrix[:, at]] == 255
            if wrong.any():
                bad[:, at] |= wrong
                odd = True
        return odd

    def _matrix(self) -> Bytes:
        rows, length = self._rows, self._lines.length
        return self._text[_LEAD : _LEAD + rows * length].reshape(rows, length)

    def times(self, out: Times) -> None:
        """Write the times (ns) of the lines taken, for shapes with a time."""
        total = out.view(np.uint64)
        self._sum(total)
        self._settle(out, self._rounds_up())

    def _sum(self, total: Words) -> None:
        words = self._variant.words
        if not words:
            total.fill(0)
        for k, word in enumerate(words):
            value = total if not k else self._spare[: self._rows]
            self._number(word, value)
            if word.worth != 1:
                np.multiply(value, np.uint64(word.worth), out=value)
            if k:
                np.add(total, value, out=total)

    def _settle(self, out: Times, up: npt.NDArray[np.bool_] | None) -> None:
        """From sums of digits to ns: fixed part, rounding, sign, samples."""
        if self._variant.base:
            np.add(out, self._variant.base, out=out)
        if up is not None:
            np.add(out, up, out=out)
        if self._period_ns is not None:
            sample_times(out, self._period_ns)
        if self._lines.shape.negative:
            np.negative(out, out=out)

    def _rounds_up(self) -> npt.NDArray[np.bool_] | None:
        below = self._lines.shape.below
        if not below:
            return None
        up: npt.NDArray[np.bool_] = self._matrix()[:, below[0]] >= 5
        return up

    def finer(self) -> npt.NDArray[np.bool_]:
        """bool[rows]: which times have digits other than 0 beyond 1 ns."""
        finer = np.zeros(self._rows, np.bool_)
        matrix = self._matrix()
        for at in self._lines.shape.below:
            finer |= matrix[:, at] != 0
        return finer

    def sparse_times(self, rows: npt.NDArray[np.intp]) -> Times | None:
        """Times (ns) of some lines only, or None when all must be worked out.

        Every line is still checked against the one before: digits that vary and stand in one word
        are compared as they are, most significant byte first.

        Args:
            rows: int[k] rising line numbers among those taken.
        """
        words, shape = self._variant.words, self._lines.shape
        if len(words) != 1 or shape.negative or shape.below:
            return None
        word, value = words[0], self._spare[: self._rows]
        np.copyto(value, self._column(word.begin, ">u8"))
        if word.keep != ALL_BYTES:
            np.bitwise_and(value, word.keep.byteswap(), out=value)
        falls = self._bad[: self._rows - 1]
        if np.less(value[1:], value[:-1], out=falls).any():
            return None
        some = value[rows].byteswap()
        _close_gap(word, some, np.empty_like(some))
        _swar(some)
        times = (some * np.uint64(word.worth)).view(np.int64)
        self._settle(times, None)
        return times

    def _column(self, begin: int, kind: str) -> Words:
        length, rows = self._lines.length, self._rows
        return np.ndarray((rows,), kind, self._text.data, _LEAD + begin, (length,))

    def _number(self, word: Word, out: Words) -> None:
        """Write the number that the digits of a word make."""
        if word.digits == 1:
            np.copyto(out, self._column(word.begin + 7, "u1"))
            return
        if word.digits <= 4 and not word.above_gap:
            half = self._half[: self._rows]
            np.copyto(half, self._column(word.begin + 4, "<u4"))
            if word.keep != ALL_BYTES:
                np.bitwise_and(half, np.uint32(int(word.keep) >> 32), out=half)
            for factor, shift, mask in _SWAR[:2]:
                np.multiply(half, np.uint32(factor), out=half)
                np.right_shift(half, np.uint32(shift), out=half)
                np.bitwise_and(half, np.uint32(int(mask) & 0xFFFFFFFF), out=half)
            np.copyto(out, half)
            return
        np.copyto(out, self._column(word.begin, "<u8"))
        if word.keep != ALL_BYTES:
            np.bitwise_and(out, word.keep, out=out)
        _close_gap(word, out, self._word[: self._rows])
        _swar(out)

    def _reserve(self, size: int, rows: int) -> None:
        if len(self._bad) < size:
            self._text = np.zeros(_LEAD + size, np.uint8)
            self._bad = np.zeros(size, np.bool_)
        if len(self._word) < rows:
            self._word = np.zeros(rows, np.uint64)
            self._spare = np.zeros(rows, np.uint64)
            self._half = np.zeros(rows, np.uint32)


def _close_gap(word: Word, value: Words, spare: Words) -> None:
    """Move the digits before a decimal point over it."""
    if word.above_gap:
        np.bitwise_and(value, word.above_gap, out=spare)
        np.bitwise_and(value, ~word.above_gap, out=value)
        np.left_shift(spare, np.uint64(8), out=spare)
        np.bitwise_or(value, spare, out=value)


def _swar(value: Words) -> None:
    """Eight digits 0..9, most significant in the lowest byte, to their number, in place."""
    for factor, shift, mask in _SWAR:
        np.multiply(value, factor, out=value)
        np.right_shift(value, shift, out=value)
        if shift < 32:
            np.bitwise_and(value, mask, out=value)


def sample_times(numbers: Times, period_ns: Fraction) -> None:
    """Sample numbers to ns in place, rounded to the nearest, halves away from zero.

    Args:
        numbers: int64[n], not negative, times `period_ns` within 62 bits.
        period_ns: ns a sample.
    """
    top, bottom = period_ns.numerator, period_ns.denominator
    if bottom == 1:
        np.multiply(numbers, top, out=numbers)
        return
    whole, rest = np.divmod(numbers, bottom)
    if 2 * top * bottom < 2**63:
        rest = (2 * top * rest + bottom) // (2 * bottom)
    else:  # a rate of more digits than 64 bits carry: whole numbers of Python
        rest = np.array([(2 * top * int(k) + bottom) // (2 * bottom) for k in rest], np.int64)
    np.multiply(whole, top, out=numbers)
    np.add(numbers, rest, out=numbers)
