"""Why check codes are wrong: noise, a released line, a stale payload, or the wrong formula.

For each failing frame the nearest frame that would pass is sought under one hypothesis after the
other; over all of them the counts decide. A single bit that mends a frame proves little alone (of a
short frame with a code of 8 bits one in ten is mended by chance), so their number is held against
chance. A frame that is one bit away from the one before carries that one's code whether the code is
stale or the bit was flipped, so it tells nothing of which.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

import numpy as np

from console.diagnosis.replies.check_code_search import (
    FEWEST_FRAMES,
    LEAST_SHARE,
    Hit,
    search,
)
from console.diagnosis.replies.check_formula import Formula
from console.diagnosis.replies.stream import Bytes

RIGHT, SAID, RELEASED, STALE, BIT, EITHER, OPEN = (
    "right", "said by the target", "released line", "stale", "one bit", "stale or one bit",
    "unexplained",
)  # fmt: skip
NOISE, FORMULA, REPEATED, NONE = "noise", "wrong formula", "the same frame each time", "cannot say"
_BY_CHANCE = 1e-3
_STALE_BY_CHANCE = 0.01  # of some among many frames that only may be stale
_MOST_REPEATED = 0.8  # share of one frame among the failing ones


@dataclass(frozen=True, slots=True)
class Explained:
    """One frame: what it is taken for, and what was probably sent."""

    word: str
    likely: bytes | None = None
    at: int | None = None  # the byte that was changed


@dataclass(frozen=True, slots=True)
class Verdict:
    """All failing frames of one target and kind."""

    word: str
    failing: int
    of: int
    words: dict[str, int]  # how many failing frames were taken for what
    better: Hit | None = None  # a formula that fits those that fail


def explained(frame: bytes, formula: Formula, before: bytes = b"") -> Explained:
    """What one frame is taken for.

    Args:
        frame: with its check code.
        formula: how it should be checked.
        before: the frame before it of the same target and kind; empty where there is none.
    """
    whole = np.frombuffer(frame, np.uint8).reshape(1, -1)
    if _fits(frame, formula):
        said = formula.says(whole, 0xFF)[0] or formula.says(whole, 0x00)[0]
        return Explained(SAID if said else RIGHT)
    if set(frame) == {0xFF}:
        return Explained(RELEASED)
    if (lost := _released_piece(frame, formula)) is not None:
        return lost
    if before and _code_of_before(frame, formula, before):
        return _stale_or_bit(frame, formula, before)
    if (lost := _lost_byte(frame, formula)) is not None:
        return lost
    bits = _fitting(formula, _one_bit_off(frame))
    if bits:
        return Explained(BIT, bits[0], _changed(frame, bits[0]))
    return Explained(OPEN)


def mended(frame: bytes, formula: Formula) -> list[bytes]:
    """Every frame with a right code that differs in one byte, by the place of that byte."""
    whole = np.frombuffer(frame, np.uint8)
    found = []
    for place in range(len(frame)):
        tried = np.tile(whole, (256, 1))
        tried[:, place] = np.arange(256)
        found += [bytes(row) for row in tried[formula.fits(tried)]]
    return found


def verdict(
    frames: Sequence[bytes], formula: Formula, address_bytes: Sequence[bytes] = ()
) -> Verdict:
    """Why frames of one target and kind fail, all of them together.

    Args:
        frames: good and bad, in time order.
        formula: how they should be checked.
        address_bytes: what may be covered though it is no part of them.
    """
    kinds: Counter[str] = Counter()
    failing: list[bytes] = []
    for k, frame in enumerate(frames):
        found = explained(frame, formula, frames[k - 1] if k else b"")
        if found.word not in (RIGHT, SAID):
            kinds[found.word] += 1
            failing.append(frame)
    if not failing:
        return Verdict(RIGHT, 0, len(frames), {})
    better = None if kinds[RELEASED] >= len(failing) / 2 else _better(failing, address_bytes)
    return Verdict(
        _word(kinds, failing, formula, better), len(failing), len(frames), dict(kinds), better
    )


def _better(failing: Sequence[bytes], address_bytes: Sequence[bytes]) -> Hit | None:
    """The plainest formula that fits most failing frames, and many of them that it tells apart.

    It must fit them whole: a frame of several words fails by one of them. And what it does not
    cover proves nothing: of one payload with bits flipped there any formula holds.
    """
    different = list(dict.fromkeys(failing))
    if len(different) < FEWEST_FRAMES:
        return None
    for hit in search(failing, address_bytes):
        whole = [frame for frame in different if _fits(frame, hit.formula)]
        covered = {frame if hit.formula.words else frame[hit.formula.skipped :] for frame in whole}
        if len(whole) >= LEAST_SHARE * len(different) and len(covered) >= FEWEST_FRAMES:
            return hit
    return None


def _word(kinds: Counter[str], failing: list[bytes], formula: Formula, better: Hit | None) -> str:
    if better is not None:
        return FORMULA
    half = len(failing) / 2
    if kinds[RELEASED] >= half:
        return RELEASED
    width = formula.code.width_bits
    stale = kinds[STALE] >= (len(failing) - kinds[EITHER]) / 2
    if stale and _at_least(kinds[STALE], len(failing), 2.0**-width) < _STALE_BY_CHANCE:
        return STALE
    commonest = Counter(failing).most_common(1)[0][1]
    if len(failing) > 2 and commonest >= _MOST_REPEATED * len(failing):
        return REPEATED
    chance = min(1.0, 8 * max(map(len, failing)) / 2.0**width)
    if _at_least(kinds[BIT] + kinds[EITHER], len(failing), chance) < _BY_CHANCE:
        return NOISE
    return NONE


def _at_least(k: int, n: int, chance: float) -> float:
    """Probability of k or more of n, each by the same chance."""
    if n > 1000:  # of more, the share says the same
        k, n = k * 1000 // n, 1000
    return float(sum(comb(n, j) * chance**j * (1 - chance) ** (n - j) for j in range(k, n + 1)))


def _released_piece(frame: bytes, formula: Formula) -> Explained | None:
    """From some word on nothing but FF: the line was released within the frame."""
    if not formula.words:
        tail = len(frame) - len(frame.rstrip(b"\xff"))
        return Explained(RELEASED) if tail >= max(3, formula.width + 1) else None
    wrong = [frame[at] for at in _wrong(frame, formula)]
    return Explained(RELEASED) if all(set(each) == {0xFF} for each in wrong) else None


def _fits(frame: bytes, formula: Formula) -> bool:
    return bool(formula.fits(np.frombuffer(frame, np.uint8).reshape(1, -1))[0])


def _wrong(frame: bytes, formula: Formula) -> list[slice]:
    """Where the pieces with a code of their own lie whose code is wrong."""
    piece = formula.words + formula.width if formula.words else len(frame)
    pieces = [slice(at, at + piece) for at in range(0, len(frame), piece)]
    return [at for at in pieces if not _fits(frame[at], formula)]


def _lost_byte(frame: bytes, formula: Formula) -> Explained | None:
    """One byte of FF with which the code is right when it is another: lost on a released line."""
    whole = np.frombuffer(frame, np.uint8)
    found = []
    for place in np.flatnonzero(whole == 0xFF).tolist():
        tried = np.tile(whole, (256, 1))
        tried[:, place] = np.arange(256)
        found += [(place, bytes(row)) for row in tried[formula.fits(tried)]]
    if len(found) != 1:
        return None
    place, likely = found[0]
    return Explained(RELEASED, likely, place)


def _code_of_before(frame: bytes, formula: Formula, before: bytes) -> bool:
    """Whether every wrong code is that of what stood there in the frame before."""
    if len(before) != len(frame):
        return False
    size = formula.width
    return all(
        _fits(before[at][:-size] + frame[at][-size:], formula) for at in _wrong(frame, formula)
    )


def _stale_or_bit(frame: bytes, formula: Formula, before: bytes) -> Explained:
    """A frame with the code of the one before: stale, if more than a bit of the payload moved."""
    likely = bytearray(frame)
    for at in _wrong(frame, formula):
        likely[at] = before[at][: -formula.width] + frame[at][-formula.width :]
    moved = int.from_bytes(likely, "big") ^ int.from_bytes(frame, "big")
    if moved.bit_count() > 1:
        return Explained(STALE)
    return Explained(EITHER, bytes(likely), _changed(frame, bytes(likely)))


def _one_bit_off(frame: bytes) -> Bytes:
    """uint8[8 k, k]: all frames that differ in one bit."""
    k = len(frame)
    tried = np.tile(np.frombuffer(frame, np.uint8), (8 * k, 1))
    bit = np.arange(8 * k)
    tried[bit, bit // 8] ^= (1 << (bit % 8)).astype(np.uint8)
    return tried


def _fitting(formula: Formula, tried: Bytes) -> list[bytes]:
    return [bytes(row) for row in tried[formula.fits(tried)]]


def _changed(frame: bytes, other: bytes) -> int:
    return next(k for k, (a, b) in enumerate(zip(frame, other, strict=True)) if a != b)
