"""Which kind of packet a row of bytes is: by its constants, register, request and size."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from decoders.packets.gather import Bytes, Mask, Places, stretches
from decoders.packets.layout import PacketSet

UNKNOWN = -1

# What speaks for a kind, strongest first: every constant right, each constant right, its register
# number, that it answers the last request, its size.
_ALL_RIGHT, _ONE_RIGHT, _REGISTER, _ANSWERS, _SIZE = 100_000, 100, 50, 10, 1


def choose_kinds(
    packet_set: PacketSet,
    candidates: Sequence[int],
    data: Bytes,
    begin: Places,
    end: Places,
    fits: dict[int, Mask] | None = None,
    asked: npt.NDArray[np.int16] | None = None,
    *,
    by_size: bool = True,
) -> npt.NDArray[np.int16]:
    """The kind of each row that fits its bytes best.

    Args:
        packet_set: all kinds.
        candidates: indices of the kinds that may be meant.
        data: uint8[m].
        begin: int64[n] first byte of each row.
        end: int64[n] one behind its last byte.
        fits: of some candidates, the rows that may be meant: bool[n].
        asked: int16[n] kind of the request before each row, or -1.
        by_size: whether the rows are whole, so that their sizes say something.

    Returns:
        int16[n] into the kinds; -1 where none may be meant, or where several may be and nothing of
        the best is right.
    """
    if len(candidates) == 1 and not fits:
        return np.full(len(begin), candidates[0], np.int16)
    best = np.full(len(begin), UNKNOWN, np.int16)
    most = np.zeros(len(begin), np.int64)
    for number in candidates:
        score = _score(packet_set, number, data, begin, end)
        kind = packet_set.kinds[number]
        if kind.register:
            score += _REGISTER
        if by_size and kind.layout.fixed_size is not None:
            lead = len(kind.register) if kind.direction == "write" else 0
            score[end - begin - lead == kind.layout.fixed_size] += _SIZE
        if asked is not None and kind.answers:
            names = np.array([each.name == kind.answers for each in packet_set.kinds] + [False])
            score[names[asked]] += _ANSWERS
        if fits is not None and number in fits:
            score[~fits[number]] = 0
        better = score > most
        best[better] = number
        most[better] = score[better]
    if len(candidates) == 1:
        return best
    best[most <= 1 + _SIZE] = UNKNOWN
    return best


def _score(
    packet_set: PacketSet, number: int, data: Bytes, begin: Places, end: Places
) -> npt.NDArray[np.int64]:
    """How much speaks for one kind; at least 1; int64[n]."""
    kind = packet_set.kinds[number]
    at = begin + (len(kind.register) if kind.direction == "write" else 0)
    right = np.zeros(len(begin), np.int64)
    wrong = np.zeros(len(begin), np.bool_)
    for offset, _, wanted in kind.layout.marks():
        inside = end - at >= offset + len(wanted)
        rows = np.flatnonzero(inside)
        cut = stretches(data, at[rows] + offset, len(wanted))
        same = (cut == np.frombuffer(wanted, np.uint8)).all(axis=1)
        right[rows] += same
        wrong[rows] |= ~same
        wrong |= ~inside
    score = 1 + _ONE_RIGHT * right
    score[~wrong] += _ALL_RIGHT
    return score


def last_writes(writes: Mask) -> Places:
    """For each row the last row up to itself where `writes` is set, or -1; int64[n]."""
    rows = np.where(writes, np.arange(len(writes)), -1)
    return np.maximum.accumulate(rows) if len(rows) else rows
