"""Bytes of many rows at once: cut out, read as numbers, summed. All on whole columns.

Rows lie in one run of bytes at places of their own; a fixed stretch of each is gathered by one
memory copy a row (a view of overlapping records, indexed), about 4 ns whatever its size up to 16.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.checkcodes import CheckCode
from decoders.packets.layout import Leaf
from decoders.plain_sums import BYTE_SUMS

Bytes = npt.NDArray[np.uint8]
Places = npt.NDArray[np.int64]
Column = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

_NATIVE = {1: "u1", 2: "u2", 4: "u4", 8: "u8"}


def stretches(data: Bytes, at: Places, size: int) -> Bytes:
    """The `size` bytes from each place on.

    Args:
        data: uint8[m], contiguous.
        at: int64[n], 0 <= at <= m - size.
        size: at least 1.

    Returns:
        uint8[n, size], a copy.
    """
    if not len(at):
        return np.zeros((0, size), np.uint8)
    overlapping = np.ndarray((len(data) - size + 1,), f"V{size}", data, 0, (1,))
    return overlapping[at].view(np.uint8).reshape(len(at), size)


def cut_stretches(data: Bytes, at: Places, end: Places, size: int) -> Bytes:
    """As `stretches`, for rows that may end before: what lies behind their end is 0."""
    fits = end - at >= size
    if fits.all():
        return stretches(data, at, size)
    found = np.zeros((len(at), size), np.uint8)
    found[fits] = stretches(data, at[fits], size)
    rest = np.flatnonzero(~fits)
    places = at[rest, None] + np.arange(size)
    inside = places < end[rest, None]
    if len(data):
        found[rest] = np.where(inside, data[np.where(inside, places, 0)], 0)
    return found


def integers(matrix: Bytes, leaf: Leaf) -> Column:
    """One integer field of rows of fixed stretches.

    Returns:
        [n] native integers of the narrowest of 8, 16, 32, 64 bits that holds the field.
    """
    rows, width = matrix.shape
    order = ">" if leaf.big else "<"
    sign = "i" if leaf.signed else "u"
    if leaf.size in _NATIVE:
        dtype = np.dtype(f"{order}{sign}{leaf.size}")
        if not rows:
            return np.zeros(0, dtype.newbyteorder("="))
        return np.ndarray((rows,), dtype, matrix, leaf.at, (width,)).astype(dtype.newbyteorder("="))
    wide = 4 if leaf.size == 3 else 8
    padded = np.zeros((rows, wide), np.uint8)
    padded[:, wide - leaf.size :] = matrix[:, leaf.at : leaf.at + leaf.size][
        :, :: 1 if leaf.big else -1
    ]
    value: Column = padded.view(f">u{wide}")[:, 0].astype(f"u{wide}")
    if leaf.signed:
        top = 8 * (wide - leaf.size)
        value = (value << np.array(top, value.dtype)).view(f"i{wide}") >> top
    return value


def bit_field(value: Column, at: int, width: int, signed: bool) -> Column:
    """Some bits of an integer column, as uint64[n], or int64[n] when signed."""
    unsigned = value.view(f"u{value.dtype.itemsize}").astype(np.uint64)
    bits: Column = (unsigned >> np.uint64(at)) & np.uint64((1 << width) - 1)
    if signed:
        top = 64 - width
        bits = (bits << np.uint64(top)).view(np.int64) >> top
    return bits


def equals(data: Bytes, at: Places, end: Places, wanted: bytes) -> Mask:
    """Whether each row holds exactly these bytes; bool[n]."""
    same: Mask = end - at == len(wanted)
    if wanted and same.any():
        rows = np.flatnonzero(same)
        found = stretches(data, at[rows], len(wanted))
        same[rows] = (found == np.frombuffer(wanted, np.uint8)).all(axis=1)
    return same


def has_bytes(cut: Bytes, at: int, wanted: Bytes) -> Mask:
    """Whether each row has the wanted bytes at a fixed place; bool[n]."""
    size = len(wanted)
    if size in (2, 4, 8) and len(cut):
        shape, strides = (len(cut),), (cut.shape[1],)
        found = np.ndarray(shape, f"u{size}", cut, at, strides)
        same: Mask = found == wanted.view(f"u{size}")[0]
        return same
    same = cut[:, at] == wanted[0]
    for place in range(1, size):
        same &= cut[:, at + place] == wanted[place]
    return same


def cleared(value: Column, have: Mask | None) -> Column:
    """The same column, 0 put where nothing is there: [n], changed in place; `have` bool[n]."""
    if have is not None:
        value[~have] = 0
    return value


def is_one_of(value: Column, values: Iterable[int]) -> Mask:
    """Whether each value is one of some that fit its type; bool[n]."""
    known = np.array(list(values), value.dtype)
    if value.dtype == np.uint8:
        table = np.zeros(256, np.bool_)
        table[known] = True
        named: Mask = table[value]
        return named
    return np.isin(value, known)


_DIGIT = np.full(256, 255, np.uint8)
for _digit, _character in enumerate(b"0123456789abcdef"):
    _DIGIT[_character] = _digit
    _DIGIT[ord(chr(_character).upper())] = _digit

DECIMAL_DIGITS = 15  # a float64 holds any decimal number of 15 digits
HEX_DIGITS = 16
_POWERS = np.array([float(10**power) for power in range(DECIMAL_DIGITS + 3)])


def hex_numbers(data: Bytes, at: Places, end: Places) -> tuple[npt.NDArray[np.uint64], Mask]:
    """Numbers in ASCII hex digits, 1 to 16 of them.

    Returns:
        uint64[n], 0 where it is no number; bool[n] whether it is one.
    """
    size = end - at
    good = (size >= 1) & (size <= HEX_DIGITS)
    total = np.zeros(len(at), np.uint64)
    for place in range(int(size[good].max(initial=0))):
        rows = np.flatnonzero(good & (size > place))
        digit = _DIGIT[data[at[rows] + place]]
        good[rows[digit == 255]] = False
        total[rows] = (total[rows] << np.uint64(4)) | digit
    total[~good] = 0
    return total, good


def decimal_numbers(data: Bytes, at: Places, end: Places) -> tuple[npt.NDArray[np.float64], Mask]:
    """Numbers in ASCII digits with sign and point, at most 15 digits.

    Returns:
        float64[n], correctly rounded, NaN where it is no number or empty; bool[n] whether it
        is a number or empty.
    """
    size = end - at
    good = size <= DECIMAL_DIGITS + 2
    rows = len(at)
    total, digits, behind = (np.zeros(rows, np.int64) for _ in range(3))
    negative, pointed = np.zeros(rows, np.bool_), np.zeros(rows, np.bool_)
    for place in range(int(size[good].max(initial=0))):
        here = np.flatnonzero(good & (size > place))
        character = data[at[here] + place]
        value = character - np.uint8(ord("0"))
        is_digit = value <= 9
        is_point = (character == ord(".")) & ~pointed[here]
        is_sign = ((character == ord("-")) | (character == ord("+"))) & (place == 0)
        good[here[~(is_digit | is_point | is_sign)]] = False
        negative[here[is_sign]] = character[is_sign] == ord("-")
        pointed[here[is_point]] = True
        shifted = here[is_digit]
        total[shifted] = total[shifted] * 10 + value[is_digit]
        digits[shifted] += 1
        behind[shifted] += pointed[shifted]
    empty = size == 0
    good &= (digits >= 1) & (digits <= DECIMAL_DIGITS)
    # one division of two exact numbers: the nearest float64, as a text reader gives it
    number = total.astype(np.float64) / _POWERS[behind]
    number = np.where(negative, -number, number)
    number[~good] = np.nan
    return number, good | empty


def codes_of_spans(
    code: CheckCode,
    data: Bytes,
    begin: Places,
    end: Places,
    prefix: tuple[Bytes, Places] | None = None,
) -> npt.NDArray[np.uint64]:
    """Check codes of stretches of any length.

    Args:
        code: the check code.
        data: uint8[m].
        begin: int64[n] first byte of each stretch.
        end: int64[n] one behind its last.
        prefix: uint8[n, k] and int64[n]: bytes that come before each, and how many of them.

    Returns:
        uint64[n].
    """
    if not len(begin):
        return np.zeros(0, np.uint64)
    if prefix is None and code.name in BYTE_SUMS:
        low, high = int(begin.min()), int(end.max())
        running = np.zeros(high - low + 1, np.uint64)
        np.cumsum(data[low:high], dtype=np.uint64, out=running[1:])
        return BYTE_SUMS[code.name][1](running[end - low] - running[begin - low])
    found = np.zeros(len(begin), np.uint64)
    before = np.zeros(len(begin), np.int64) if prefix is None else prefix[1]
    shape = (end - begin) * 16 + before  # rows of one shape make one matrix
    for each in np.unique(shape):
        rows = np.flatnonzero(shape == each)
        size, lead = int(each) // 16, int(each) % 16
        body = stretches(data, begin[rows], size) if size else np.zeros((len(rows), 0), np.uint8)
        if prefix is not None and lead:
            body = np.concatenate([prefix[0][rows, :lead], body], axis=1)
        found[rows] = code.of_rows(body)
    return found
