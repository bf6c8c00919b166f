"""Why check codes are wrong: noise, a released line, a stale payload, or the wrong formula.

For each failing frame the nearest frame that would pass is sought under one hypothesis after the
other; over all of them the counts decide. A single bit that mends a frame proves little alone (of a
short frame with a code of 8 bits one in ten is mended by chance), so their number is held against
chance.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

import numpy as np

from console.diagnosis.replies.check_code_search import FEWEST_FRAMES, Hit, search
from console.diagnosis.replies.check_formula import Formula
from console.diagnosis.replies.stream import Bytes

RIGHT, SAID, RELEASED, STALE, BIT, OPEN = (
    "right", "said by the target", "released line", "stale", "one bit", "unexplained",
)  # fmt: skip
NOISE, FORMULA, REPEATED, NONE = "noise", "wrong formula", "the same frame each time", "cannot say"
_BY_CHANCE = 1e-3
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
    if formula.fits(whole)[0]:
        said = formula.says(whole, 0xFF)[0] or formula.says(whole, 0x00)[0]
        return Explained(SAID if said else RIGHT)
    if set(frame) == {0xFF}:
        return Explained(RELEASED)
    if (lost := _released_piece(frame, formula)) is not None:
        return lost
    if before and _code_of_before(frame, formula, before):
        return Explained(STALE)
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
    better = None
    if len(set(failing)) >= FEWEST_FRAMES and kinds[RELEASED] < len(failing) / 2:
        better = next(iter(search(failing, address_bytes)), None)
    return Verdict(
        _word(kinds, failing, formula, better), len(failing), len(frames), dict(kinds), better
    )


def _word(kinds: Counter[str], failing: list[bytes], formula: Formula, better: Hit | None) -> str:
    if better is not None:
        return FORMULA
    half = len(failing) / 2
    if kinds[RELEASED] >= half:
        return RELEASED
    if kinds[STALE] >= half:
        return STALE
    commonest = Counter(failing).most_common(1)[0][1]
    if len(failing) > 2 and commonest >= _MOST_REPEATED * len(failing):
        return REPEATED
    chance = min(1.0, 8 * max(map(len, failing)) / 2.0**formula.code.width_bits)
    if _at_least(kinds[BIT], len(failing), chance) < _BY_CHANCE:
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
    piece = formula.words + formula.width
    wrong = [
        frame[at : at + piece]
        for at in range(0, len(frame), piece)
        if not formula.fits(np.frombuffer(frame[at : at + piece], np.uint8).reshape(1, -1))[0]
    ]
    return Explained(RELEASED) if all(set(each) == {0xFF} for each in wrong) else None


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
    """Whether the code is that of the payload before."""
    if len(before) != len(frame):
        return False
    size = formula.width
    old = np.frombuffer(before[:-size] + frame[-size:], np.uint8).reshape(1, -1)
    return bool(formula.fits(old)[0]) and frame != before


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
