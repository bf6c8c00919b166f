"""Replies that make no sense as they are, and do as something else: swapped, shifted, cut short.

Of each surprising reply every alternative is tried, and the one that takes away most bits of
surprise is kept. An alternative must leave a reply that is as usual as the others are.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.diagnosis.replies.stream import Bytes, Ints, Truths
from console.diagnosis.replies.usual import Bits, Usual

FILLER, PADDED, LEFTOVER, SWAPPED, SIGN, SLIPPED = (
    "filler", "padded", "leftover", "swapped", "sign", "slipped",
)  # fmt: skip

NEEDED_BITS = 14.0  # an alternative must take away so much: by chance once in 16,000 suspects
ANY_BYTE = 8.0  # bits of a byte about which nothing is said
LESS_SAID = 1.5  # more for it where the end of the reply before would do as well
# A reply that is as those on one side of it may be a value that stepped. It needs others of its
# kind near it.
MORE_THAN_GARBAGE = 8.0  # bits by which it must be better than that the reply is just anything
TOGETHER, BESIDE = 2, 4
AS_MUCH = 0.7  # of the bits an alternative takes away, for a step to explain as much
MOST_PICKED = 4.0  # bits that having picked the best of many places costs at most
MOST_SHIFT = 16
LONG_PASSAGE = 24  # replies in a row that end early
FILLERS = (0xFF, 0x00)
COMMON = 0.02  # share of replies with a value at a place, beyond which it is nothing new there


@dataclass(frozen=True, slots=True, eq=False)
class Verdicts:
    """What m surprising replies are taken for."""

    at: Ints  # [m] replies
    fault: list[str]  # [m] "" where nothing explains them
    words: list[str]  # [m]
    gain: Bits  # [m] bits of surprise taken away
    shift: Ints  # [m] bytes they are shifted by, or where the filler begins


@dataclass(frozen=True, slots=True, eq=False)
class _Tried:
    """One alternative for each of m replies."""

    fault: str
    words: str  # `{}` stands for the number
    number: Ints  # [m]
    left: Bits  # [m] surprise that is left
    cost: float = 0.0  # of which so much is for bytes nothing is known of, and for having picked


def looked_at(usual: Usual, before: Bytes, before_length: Ints, suspects: Ints) -> Verdicts:
    """The best alternative for some replies.

    Args:
        usual: what replies of their shape look like.
        before: uint8[n, w] the reply before each, of whatever shape.
        before_length: int64[n] its bytes; 0 where there is none.
        suspects: int64[m] replies that are surprising.
    """
    data = usual.data[suspects]
    bits = np.stack([usual.bits(c, data[:, c], suspects) for c in range(data.shape[1])], axis=1)
    whole = bits.sum(axis=1)
    every = usual.surprise[usual.good].sum(axis=1) if usual.good.any() else whole
    allowed = float(np.quantile(every, 0.98)) + 12
    fault = [""] * len(suspects)
    words = [""] * len(suspects)
    best = np.zeros(len(suspects), np.float32)
    shift = np.zeros(len(suspects), np.int64)
    garbage = ANY_BYTE * data.shape[1] + 6
    one_value = (data == data[:, :1]).all(axis=1)
    for tried in _alternatives(usual, data, bits, before, before_length, suspects):
        gain = whole - tried.left
        better = (gain >= NEEDED_BITS) & (gain > best) & (tried.left - tried.cost <= allowed)
        if tried.fault in (LEFTOVER, SLIPPED):  # which leave bytes out, so chance could as well
            better &= ~one_value & (garbage - tried.left >= MORE_THAN_GARBAGE)
        for k in np.flatnonzero(better).tolist():  # a fault each; of those there are few
            fault[k], words[k] = tried.fault, tried.words.format(int(tried.number[k]))
        best = np.where(better, gain, best)
        shift = np.where(better, tried.number, shift)
    stepped = whole - usual.as_beside(suspects) >= AS_MUCH * best
    for k in np.flatnonzero(stepped & ~_confirmed(suspects, fault)).tolist():
        fault[k], words[k] = "", ""
    return Verdicts(suspects, fault, words, best, shift)


def _confirmed(at: Ints, fault: list[str]) -> Truths:
    """bool[m]: which replies have enough beside them that are taken for the same."""
    _, kind = np.unique(np.array(fault, dtype=object).astype(str), return_inverse=True)
    found = np.zeros(len(at), np.bool_)
    for each in range(int(kind.max(initial=-1)) + 1):
        own = np.flatnonzero(kind == each)
        near = np.searchsorted(at[own], at[own] + BESIDE, side="right") - np.searchsorted(
            at[own], at[own] - BESIDE
        )
        found[own] = near >= TOGETHER
    return found


def _alternatives(
    usual: Usual, data: Bytes, bits: Bits, before: Bytes, before_length: Ints, at: Ints
) -> Iterator[_Tried]:
    yield from _fillers(usual, data, bits)
    yield from _swapped(usual, data, bits, at)
    yield from _signs(usual, data, bits, at)
    width = data.shape[1]
    for shift in range(1, min(MOST_SHIFT, width - 2) + 1):
        yield from _behind(usual, data, before, before_length, at, shift)
        yield _ahead(usual, data, at, shift)


def _fillers(usual: Usual, data: Bytes, bits: Bits) -> Iterator[_Tried]:
    """Nothing but filler, or filler from some byte on.

    Where a value is common at a place it says nothing there: empty parts of replies come together,
    and each place by itself would count as if it were empty by chance.
    """
    width = data.shape[1]
    whole = bits.sum(axis=1)
    for value in FILLERS:
        tail = _tail(data, value)
        begins = width - tail
        common = (usual.data[usual.good] == value).mean(axis=0) > COMMON
        there = np.arange(width) >= begins[:, np.newaxis]
        left = whole - np.where(there & ~common, bits, 0).sum(axis=1) + 3.0
        never = np.float32(np.inf)
        every = (begins == 0) & (width >= 2)
        words = f"nothing but {value:02X}"
        yield _Tried(FILLER, words, begins, np.where(every, left, never).astype(np.float32))
        part = (begins > 0) & (tail >= 2)
        words = f"{value:02X} from byte {{}} on"
        yield _Tried(PADDED, words, begins, np.where(part, left, never).astype(np.float32))


def ends_early(data: Bytes) -> tuple[Truths, int]:
    """Passages of replies with FF from some byte on, where others of the shape have content.

    A cap that holds for a good part of a run is the way of that part, so it surprises nobody; but
    it begins and ends at an instant. Of 00 that proves nothing: parts of a reply may be empty.

    Args:
        data: uint8[n, k] of one shape, in time order.

    Returns:
        bool[n], and the byte from which on they are filler.
    """
    width = data.shape[1]
    begins = width - _tail(data, 0xFF)
    part = (begins >= 2) & (begins <= width - 2)
    none = np.zeros(len(data), np.bool_)
    if part.sum() < LONG_PASSAGE:
        return none, 0
    cap = int(np.bincount(begins[part]).argmax())
    cut = begins == cap
    runs = 1 + int(np.count_nonzero(np.diff(cut.astype(np.int8))))
    others = data[~cut, cap:]
    if cut.sum() < LONG_PASSAGE * runs / 2 or len(others) < LONG_PASSAGE:
        return none, 0
    rare = (others == 0xFF).mean(axis=0) <= COMMON
    return (cut, cap) if rare.all() else (none, 0)


def _tail(data: Bytes, value: int) -> Ints:
    """How many bytes at the end have a value."""
    other = data[:, ::-1] != value
    tail: Ints = np.where(other.any(axis=1), other.argmax(axis=1), data.shape[1])
    return tail


def _swapped(usual: Usual, data: Bytes, bits: Bits, at: Ints) -> Iterator[_Tried]:
    """Two neighbouring bytes in the other order, or all 16-bit words of the reply."""
    width = data.shape[1]
    if width < 2:
        return
    gains = np.stack(
        [
            bits[:, c]
            + bits[:, c + 1]
            - usual.bits(c, data[:, c + 1], at)
            - usual.bits(c + 1, data[:, c], at)
            for c in range(width - 1)
        ],
        axis=1,
    )
    whole = bits.sum(axis=1)
    one = gains.argmax(axis=1)
    # which of the pairs it is was picked afterwards
    picked = min(float(np.log2(width - 1)), MOST_PICKED)
    best = np.take_along_axis(gains, one[:, np.newaxis], 1)[:, 0]
    yield _Tried(
        SWAPPED, "bytes {} and the next in the other order", one, whole - best + picked, picked
    )
    if width >= 4:
        for phase in (0, 1):
            all_words = gains[:, phase::2].sum(axis=1)
            words = f"all 16-bit words from byte {phase} on in the other order"
            yield _Tried(SWAPPED, words, np.zeros(len(at), np.int64), whole - all_words + 1)


def _signs(usual: Usual, data: Bytes, bits: Bits, at: Ints) -> Iterator[_Tried]:
    """A 16-bit word with the other sign, or a byte whose top bit is wrong."""
    width = data.shape[1]
    whole = bits.sum(axis=1)
    picked = min(float(np.log2(3 * width)), MOST_PICKED)
    for c in range(width):
        other = data[:, c] ^ np.uint8(0x80)
        flipped = usual.bits(c, data[:, c], at, plain=True) - usual.bits(c, other, at, plain=True)
        number = np.full(len(at), c)
        yield _Tried(SIGN, "top bit of byte {} wrong", number, whole - flipped + picked, picked)
        if c + 1 == width:
            continue
        for high, low in ((c, c + 1), (c + 1, c)):
            word = (-(data[:, high].astype(np.int32) * 256 + data[:, low])) & 0xFFFF
            gain = (
                bits[:, high]
                + bits[:, low]
                - usual.bits(high, (word >> 8).astype(np.uint8), at)
                - usual.bits(low, (word & 0xFF).astype(np.uint8), at)
            )
            words = "word at byte {} with the other sign"
            yield _Tried(SIGN, words, number, whole - gain + picked, picked)


def _behind(
    usual: Usual, data: Bytes, before: Bytes, before_length: Ints, at: Ints, shift: int
) -> Iterator[_Tried]:
    """The reply begins late, behind bytes of the one before or behind any bytes."""
    width = data.shape[1]
    rest = sum(
        (usual.bits(c - shift, data[:, c], at) for c in range(shift, width)),
        start=np.zeros(len(at), np.float32),
    )
    number = np.full(len(at), shift)
    picked = float(np.log2(shift)) + 2
    tail = np.maximum(before_length[at, np.newaxis] - shift, 0) + np.arange(shift)
    same = (
        before[at[:, np.newaxis], np.minimum(tail, before.shape[1] - 1)] == data[:, :shift]
    ).all(axis=1) & (before_length[at] >= shift)
    loaded = sum(
        (usual.bits(width - shift + c, data[:, c], at) for c in range(shift)),
        start=np.zeros(len(at), np.float32),
    )
    first = np.where(same, 1.0, loaded)
    words = "begins with the last {} of the reply before"
    yield _Tried(LEFTOVER, words, number, (rest + first + picked).astype(np.float32), picked)
    cost = (ANY_BYTE + LESS_SAID) * shift + picked
    yield _Tried(
        SLIPPED, "begins {} late, behind bytes of something else", number, rest + cost, cost
    )


def _ahead(usual: Usual, data: Bytes, at: Ints, shift: int) -> _Tried:
    """The first bytes of the reply are missing."""
    width = data.shape[1]
    rest = sum(
        (usual.bits(c + shift, data[:, c], at) for c in range(width - shift)),
        start=np.zeros(len(at), np.float32),
    )
    cost = ANY_BYTE * shift + float(np.log2(shift)) + 2
    return _Tried(SLIPPED, "its first {} missing", np.full(len(at), shift), rest + cost, cost)


def surprising(usual: Usual, bits: npt.NDArray[np.float32]) -> Truths:
    """bool[n]: replies from which an alternative could take enough away."""
    least = usual.table.min(axis=1) if len(usual.table) else np.zeros(0)
    found: Truths = (bits - least).sum(axis=1) >= NEEDED_BITS
    return found
