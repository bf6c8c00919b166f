"""Which check code frames carry, found from the frames: width, parameters, coverage, place.

Catalogued CRCs and the plain sums are tried first, over every coverage. Where none fits, all
polynomials of 8 and 16 bits are: the codes of two frames of one length differ by the code of their
difference, whatever the initial value and the final XOR are, so a polynomial is tested alone. What
it leaves over tells the other two. Where all frames have one length, several pairs of them give the
same codes, and the plainest is told.

What is not covered: polynomials above 16 bits that no catalogue has, and CRCs that are reflected
on one side alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import anycrc
import numpy as np
import numpy.typing as npt

from console.diagnosis.replies.check_formula import Formula
from console.diagnosis.replies.stream import Bytes
from decoders.checkcodes import SUMS, CheckCode, check_code

Registers = npt.NDArray[np.uint32]

FEWEST_FRAMES = 8  # different ones that a formula must fit
LEAST_SHARE = 0.5  # of the frames
MOST_FRAMES = 256  # looked at, spread over all
MOST_SKIPPED = 4  # bytes at the begin that may not be covered
WORDS = (1, 2, 4)  # bytes before each code, where there is one for each word
_PAIRS = 12
_FIRST_PAIRS = 7  # tried on all polynomials; the others on those that are left
_USUAL = (0, -1)  # initial values and final XORs that are plain: none, and all ones


@dataclass(frozen=True, slots=True)
class Hit:
    """A formula that fits, and how well."""

    formula: Formula
    fits: int
    of: int

    @property
    def share(self) -> float:
        """Of the frames, those it fits."""
        return self.fits / self.of


def search(
    frames: Sequence[bytes], before: Sequence[bytes] = (), *, every: bool = True
) -> list[Hit]:
    """The formulas that fit frames, the plainest first; none where none does.

    Args:
        frames: good and bad, the code at the end of each (or behind each word).
        before: what may be covered though it is no part of the frames: the address byte, say.
        every: try all polynomials where no catalogued code fits.

    Returns:
        Formulas that fit at least half of at least eight different frames.
    """
    some = _some(frames)
    if sum(map(len, some)) < FEWEST_FRAMES:
        return []
    cuts = [(0, some)] + [(w, cut) for w in WORDS if (cut := _cut(some, w + 1))]
    hits = [hit for words, cut in cuts for hit in _catalogued(cut, words, ("", *before))]
    if not hits and every:
        hits = [hit for words, cut in cuts for hit in _by_polynomial(cut, words)]
    return sorted(hits, key=_plainness)


def _plainness(hit: Hit) -> tuple[float, int, int, int]:
    formula = hit.formula
    return (
        -round(hit.share, 1),
        formula.skipped + len(formula.before),
        formula.code.width_bits if formula.words else 0,
        -hit.fits,
    )


def _some(frames: Sequence[bytes]) -> list[Bytes]:
    """Different frames as one matrix for each length, some of them where there are many."""
    different = list(dict.fromkeys(frames))
    step = max(1, len(different) // MOST_FRAMES)
    by_length: dict[int, list[bytes]] = {}
    for frame in different[::step]:
        if len(frame) >= 2:
            by_length.setdefault(len(frame), []).append(frame)
    return [
        np.frombuffer(b"".join(rows), np.uint8).reshape(len(rows), length)
        for length, rows in sorted(by_length.items())
    ]


def _cut(matrices: Sequence[Bytes], piece: int) -> list[Bytes]:
    """Frames cut into pieces of one length, where all can be cut into several or are one."""
    if any(matrix.shape[1] % piece for matrix in matrices):
        return []
    if all(matrix.shape[1] == piece for matrix in matrices):
        return []  # one word a frame: its code is that of the frame
    return [np.unique(np.concatenate([m.reshape(-1, piece) for m in matrices]), axis=0)]


def _catalogued(
    matrices: Sequence[Bytes], words: int, before: Sequence[bytes | str]
) -> Iterator[Hit]:
    """Named codes over every coverage."""
    total = sum(map(len, matrices))
    shortest = min(matrix.shape[1] for matrix in matrices)
    for code in catalogue():
        if words and code.width_bytes > 1:
            continue
        for head in before:
            for skipped in range(0 if words else MOST_SKIPPED + 1) or (0,):
                if shortest <= skipped + code.width_bytes:
                    continue
                prefix = head.encode() if isinstance(head, str) else head
                for big in (True, False)[: code.width_bytes]:
                    formula = Formula(code, skipped, prefix, big, words)
                    fits = sum(_fitting(formula, matrix) for matrix in matrices)
                    if fits >= FEWEST_FRAMES and fits >= LEAST_SHARE * total:
                        yield Hit(formula, fits, total)


def _fitting(formula: Formula, matrix: Bytes) -> int:
    """How many frames fit; the first few decide whether it is worth looking at the rest."""
    if len(matrix) > 2 * FEWEST_FRAMES and not formula.fits(matrix[:FEWEST_FRAMES]).any():
        return 0
    return int(formula.fits(matrix).sum())


@cache
def catalogue() -> tuple[CheckCode, ...]:
    """The sums, and every catalogued CRC of 8, 16, 24 or 32 bits."""
    names = [name for name, model in anycrc.models.items() if model.width in (8, 16, 24, 32)]
    return (*SUMS.values(), *(check_code(name) for name in names))


def _by_polynomial(matrices: Sequence[Bytes], words: int) -> Iterator[Hit]:
    """CRCs of 8 and 16 bits by their parameters."""
    shortest = min(matrix.shape[1] for matrix in matrices)
    for width in (8,) if words else (8, 16):
        size = width // 8
        for skipped in range(1 if words else MOST_SKIPPED + 1):
            if shortest <= skipped + size:
                continue
            for big in (True, False)[:size]:
                found = list(_of_width(matrices, width, skipped, big=big, words=words))
                yield from found
                if found:  # to leave more bytes out fits as well where those never change
                    return


def _of_width(
    matrices: Sequence[Bytes], width: int, skipped: int, *, big: bool, words: int
) -> Iterator[Hit]:
    total = sum(map(len, matrices))
    for reflected in (False, True):
        for poly in _polynomials(matrices, width, skipped, reflected=reflected, big=big):
            for init, xorout in _rest(matrices, width, skipped, poly, reflected=reflected, big=big):
                code = check_code(
                    f"CRC-{width} poly {poly:0{width // 4}X} init {init:0{width // 4}X}"
                    f"{' reflected' if reflected else ''} xorout {xorout:0{width // 4}X}",
                    width=width, poly=poly, init=init, refin=reflected, refout=reflected,
                    xorout=xorout,
                )  # fmt: skip
                formula = Formula(code, skipped, b"", big, words)
                fits = sum(int(formula.fits(matrix).sum()) for matrix in matrices)
                if fits >= FEWEST_FRAMES and fits >= LEAST_SHARE * total:
                    yield Hit(formula, fits, total)
                    break


def _polynomials(
    matrices: Sequence[Bytes], width: int, skipped: int, *, reflected: bool, big: bool
) -> list[int]:
    """The polynomials by which most differences of two frames have the right code."""
    matrix = max(matrices, key=len)
    if len(matrix) < 2:
        return []
    first = np.random.default_rng(0).permutation(len(matrix))
    pairs = np.stack([first, np.roll(first, 1)])[:, :_PAIRS]
    differ = matrix[pairs[0]] ^ matrix[pairs[1]]
    message, carried = differ[:, skipped : -(width // 8)], _code_of(differ, width, big=big)
    polys = np.arange(1, 1 << width, 2, dtype=np.uint32)
    few = slice(0, _FIRST_PAIRS)
    right = _crc(polys, message[few], width, reflected=reflected) == carried[few]
    polys = polys[right.any(axis=1)]
    if not len(polys):
        return []
    right = _crc(polys, message, width, reflected=reflected) == carried
    # two frames both good: a quarter of the pairs where half of the frames are
    enough = right.sum(axis=1) >= max(3, len(message) // 5)
    order = np.argsort(-right.sum(axis=1)[enough], kind="stable")
    return [int(poly) for poly in polys[enough][order][:8]]


def _rest(
    matrices: Sequence[Bytes], width: int, skipped: int, poly: int, *, reflected: bool, big: bool
) -> Iterator[tuple[int, int]]:
    """Initial values and final XORs that fit, the plain ones first."""
    mask = (1 << width) - 1
    left: list[tuple[int, int]] = []  # covered bytes, what is left over
    one = np.array([poly], np.uint32)
    for matrix in matrices:
        message = matrix[:, skipped : -(width // 8)]
        over = _crc(one, message, width, reflected=reflected)[0] ^ _code_of(matrix, width, big=big)
        values, counts = np.unique(over, return_counts=True)
        if counts.max() >= max(2, LEAST_SHARE * len(matrix)):
            left.append((message.shape[1], int(values[counts.argmax()])))
    if not left:
        return
    inits = np.arange(1 << width, dtype=np.uint32)
    xorouts = [
        _forward(inits, poly, width, length, reflected=reflected) ^ np.uint32(over)
        for length, over in left
    ]
    fitting = np.flatnonzero(np.all([x == xorouts[0] for x in xorouts], axis=0))
    plain = {value & mask for value in _USUAL}
    found = [
        (int(_as_told(int(k), width, reflected=reflected)), int(xorouts[0][k])) for k in fitting
    ]
    yield from sorted(found, key=lambda p: ((p[0] not in plain) + (p[1] not in plain), p[1], p[0]))


def _as_told(register: int, width: int, *, reflected: bool) -> int:
    """An initial value as catalogues tell it."""
    return int(f"{register:0{width}b}"[::-1], 2) if reflected else register


def _code_of(frames: Bytes, width: int, *, big: bool) -> Registers:
    tail = frames[:, -(width // 8) :].astype(np.uint32)
    if width == 8:
        return tail[:, 0]
    high, low = (tail[:, 0], tail[:, 1]) if big else (tail[:, 1], tail[:, 0])
    found: Registers = (high << np.uint32(8)) | low
    return found


def _crc(polys: Registers, message: Bytes, width: int, *, reflected: bool) -> Registers:
    """uint32[p, n]: the codes of n messages by p polynomials, nothing before and nothing after."""
    register = np.zeros((len(polys), len(message)), np.uint32)
    by = _mirrored(polys, width) if reflected else polys
    for column in message.T:  # bytes of a frame: some tens, each over all polynomials at once
        byte = column.astype(np.uint32)
        register ^= byte if reflected else byte << np.uint32(width - 8)
        register = _stepped(register, by[:, np.newaxis], width, reflected=reflected)
    return register


def _forward(
    registers: Registers, poly: int, width: int, length: int, *, reflected: bool
) -> Registers:
    """Registers after so many bytes of 00."""
    by = np.array([poly], np.uint32)
    by = _mirrored(by, width) if reflected else by
    for _ in range(length):
        registers = _stepped(registers, by, width, reflected=reflected)
    return registers


def _stepped(register: Registers, by: Registers, width: int, *, reflected: bool) -> Registers:
    """Registers eight bits on."""
    one, mask = np.uint32(1), np.uint32((1 << width) - 1)
    for _ in range(8):
        if reflected:
            register = (register >> one) ^ (by * (register & one))
        else:
            register = ((register << one) & mask) ^ (by * (register >> np.uint32(width - 1)))
    return register


def _mirrored(values: Registers, width: int) -> Registers:
    mirrored = np.zeros_like(values)
    for bit in range(width):
        on = (values >> np.uint32(bit)) & np.uint32(1)
        mirrored |= on << np.uint32(width - 1 - bit)
    return mirrored
