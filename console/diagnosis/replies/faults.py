"""Which replies of a target are faulty, and in what way: `reply_faults`.

What is usual is learned from the replies themselves, then again without those found faulty, until
nothing more is found; so a passage of faulty replies is eaten up from its ends.

| word | a reply that |
|---|---|
| `filler` | has nothing but FF or 00, which is new to the target |
| `padded` | has filler from some byte on, where it has content otherwise |
| `leftover` | begins with the end of the reply before |
| `slipped` | begins late or early by some bytes |
| `swapped` | makes sense with bytes in the other order |
| `sign` | makes sense with the other sign, or with the top bit of a byte turned |
| `stale` | is the answer to the request before, or the reply before once more |
| `frozen` | stands still for longer than the target's own noise ever did |
| `sequence` | carries a counter that jumped |
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from console.diagnosis.replies.again import answers_before, echoes_before, frozen, ids_of, repeated
from console.diagnosis.replies.check_formula import Formula
from console.diagnosis.replies.counting import counters, given_back, jumps
from console.diagnosis.replies.filler import NEW_FILLER, FillerWords, filler_of
from console.diagnosis.replies.otherwise import (
    FILLER,
    FILLERS,
    NEEDED_BITS,
    PADDED,
    Verdicts,
    ends_early,
    looked_at,
    surprising,
)
from console.diagnosis.replies.stream import Bytes, Ints, Replies, Truths
from console.diagnosis.replies.usual import FEWEST, Bits, Usual, learned

FAULTS = (
    FILLER, PADDED, "leftover", "slipped", "swapped", "sign", "stale", "frozen", "sequence",
)  # fmt: skip
SCHEMA = {
    "t_ns": pl.Int64(),
    "row": pl.Int64(),
    "fault": pl.String(),
    "words": pl.String(),
    "confidence": pl.Float64(),
}
MOST_ROUNDS = 8
GUESSED = ("leftover", "slipped", "swapped", "sign")
PER_UNEXPLAINED = 2  # replies explained for each surprising one that nothing explains
MOST_ODD = 0.2  # share of replies that surprise, beyond which that is their way
_ZERO_BITS = 12.0  # what a reply must surprise by for its being another's answer to count


_Said = tuple[str, str, float]  # fault, words, confidence


@dataclass(slots=True)
class _Found:
    """Of n replies what they are taken for; "" for nothing."""

    fault: list[str]
    words: list[str]
    confidence: list[float]

    def tell(self, at: int, fault: str, words: str, confidence: float) -> None:
        """Say something of a reply, if nothing was said before."""
        if not self.fault[at]:
            self.fault[at], self.words[at], self.confidence[at] = fault, words, confidence


def reply_faults(
    replies: Replies, formula: Formula | None = None, asked: Bytes | None = None
) -> pl.DataFrame:
    """The faulty replies of one target.

    Args:
        replies: all of them, in time order.
        formula: how its replies are checked, where that is known.
        asked: uint8[n, q] the first bytes of the request of each, where they are known.

    Returns:
        `t_ns`, `row` (in the table they came from), `fault` (see above), `words` for people and
        `confidence`, 0..1; in time order, at most one row a reply.
    """
    n = len(replies)
    found = _Found([""] * n, [""] * n, [0.0] * n)
    ids = ids_of(replies)
    before, before_length = _before(replies)
    surprise = np.zeros(n, np.float32)
    for shape in range(replies.shapes):
        at = replies.of_shape(shape)
        if len(at) >= FEWEST:
            _of_shape(replies, at, ids[at], before[at], before_length[at], surprise, formula, found)
    _stale(replies, ids, surprise, asked, found)
    rows = [k for k in range(n) if found.fault[k]]
    return pl.DataFrame(
        {
            "t_ns": replies.t_ns[rows],
            "row": replies.row[rows],
            "fault": [found.fault[k] for k in rows],
            "words": [found.words[k] for k in rows],
            "confidence": [found.confidence[k] for k in rows],
        },
        schema=SCHEMA,
    )


def _before(replies: Replies) -> tuple[Bytes, Ints]:
    """Of each reply the one before it, of whatever shape."""
    before = np.zeros_like(replies.data)
    before[1:] = replies.data[:-1]
    length = np.zeros(len(replies), np.int64)
    length[1:] = replies.length[:-1]
    return before, length


def _of_shape(
    replies: Replies,
    at: Ints,
    ids: Ints,
    before: Bytes,
    before_length: Ints,
    surprise: Bits,
    formula: Formula | None,
    found: _Found,
) -> None:
    """What is wrong with the replies of one shape."""
    data = replies.data[at, : int(replies.length[at[0]])]
    blank, idle = filler_of(data, formula)
    still = frozen(ids, ~blank & ~idle)
    for k, whole in _said_or_cut(data, formula):
        found.tell(int(at[k]), *whole)
    known = np.array([bool(found.fault[k]) for k in at.tolist()])
    good, usual, verdicts = _rounds(data, blank, still, known | idle, before, before_length)
    surprise[at] = np.where(idle, np.float32(0), _excess(usual))
    words = FillerWords(data, formula)
    for verdict in verdicts:
        for k, fault, said, gain in zip(
            verdict.at.tolist(), verdict.fault, verdict.words, verdict.gain.tolist(), strict=True
        ):
            if fault:
                more = words(k) if fault == FILLER else ""
                found.tell(int(at[k]), fault, said + more, 1 - 2.0 ** -min(gain, 30))
    for k in _followers(data, found, at).tolist():
        good[k] = False
    for k in np.flatnonzero(still).tolist():
        found.tell(int(at[k]), "frozen", "the same bytes for longer than ever before", 0.99)
    good &= ~still
    again = repeated(data, ids, good, usual.step)
    for k in np.flatnonzero(again).tolist():
        found.tell(int(at[k]), "stale", "the reply before once more", 0.95)
    told = None if replies.told is None else replies.told[at]
    _jumped(data, good & ~again, at, found, told)


def _said_or_cut(data: Bytes, formula: Formula | None) -> Iterator[tuple[int, _Said]]:
    """Filler that the target vouches for, and passages in which replies end early."""
    if formula is not None:
        for value in FILLERS:
            says = formula.says(data, value)
            if says.sum() <= NEW_FILLER * len(says):
                words = f"nothing but {value:02X}, with the right check code: the target says so"
                yield from ((k, (FILLER, words, 0.99)) for k in np.flatnonzero(says).tolist())
    cut, begin = ends_early(data)
    words = f"FF from byte {begin} on"
    yield from ((k, (PADDED, words, 0.95)) for k in np.flatnonzero(cut).tolist())


def _rounds(
    data: Bytes, blank: Truths, still: Truths, known: Truths, before: Bytes, before_length: Ints
) -> tuple[Truths, Usual, list[Verdicts]]:
    """Learn, look, and learn again without what was found."""
    explained = known.copy()
    good = ~blank & ~still & ~explained
    verdicts: list[Verdicts] = []
    usual = learned(data, good)
    for _ in range(MOST_ROUNDS):
        odd = surprising(usual, usual.surprise)
        if odd.mean() <= MOST_ODD:
            usual = learned(data, good, odd)
        suspects = np.flatnonzero(surprising(usual, usual.surprise) & ~explained & ~still)
        if not len(suspects):
            break
        verdict = looked_at(usual, before, before_length, suspects)
        verdicts.append(verdict)
        new = suspects[np.array([bool(fault) for fault in verdict.fault])]
        if not len(new):
            break
        explained[new] = True
        good = good & ~explained
        usual = learned(data, good)
    _doubt(verdicts, int((_far_off(usual) & ~explained & ~still).sum()))
    good = ~explained & ~still
    return good, usual, verdicts


def _far_off(usual: Usual) -> Truths:
    """bool[n]: replies that surprise by far more than most do by noise."""
    bits = usual.surprise.sum(axis=1)
    middle, most = np.quantile(bits, (0.5, 0.84))
    far: Truths = bits > middle + 3 * (most - middle) + NEEDED_BITS
    return far


def _doubt(verdicts: list[Verdicts], unexplained: int) -> None:
    """Take back what chance explains: of a target that often jumps, some jumps fit anything."""
    told = sum(fault in GUESSED for verdict in verdicts for fault in verdict.fault)
    if told >= PER_UNEXPLAINED * unexplained:
        return
    for verdict in verdicts:
        verdict.fault[:] = ["" if fault in GUESSED else fault for fault in verdict.fault]


def _excess(usual: Usual) -> Bits:
    """By how many bits each reply surprises more than one that is as usual as can be."""
    least = usual.table.min(axis=1) if len(usual.table) else np.zeros(0, np.float32)
    excess: Bits = (usual.surprise - least).sum(axis=1)
    return excess


def _followers(data: Bytes, found: _Found, at: Ints) -> Ints:
    """Replies padded as their neighbours that were found so: filler from the same byte on."""
    padded = np.array([found.fault[k] == PADDED for k in at.tolist()])
    if not padded.any():
        return np.empty(0, np.int64)
    new = np.zeros(len(at), np.bool_)
    width = data.shape[1]
    for value in FILLERS:
        other = data[:, ::-1] != value
        begins = width - np.where(other.any(axis=1), other.argmax(axis=1), width)
        for cap in np.unique(begins[padded]).tolist():
            alike = (begins == cap) & (begins < width - 1)
            if not (alike & padded).any() or alike.mean() > 0.9:
                continue
            edges = np.flatnonzero(np.diff(np.concatenate([[0], alike.astype(np.int8), [0]])))
            for a, b in edges.reshape(-1, 2).tolist():
                if padded[a:b].any():
                    new[a:b] |= ~padded[a:b]
    for k in np.flatnonzero(new).tolist():
        found.tell(int(at[k]), PADDED, "filler as in the replies beside it", 0.9)
    return np.flatnonzero(new)


def _jumped(data: Bytes, good: Truths, at: Ints, found: _Found, told: Bytes | None) -> None:
    """Counters that jumped; a number that the target was told and gives back counts elsewhere."""
    for counter in counters(data, good):
        if told is not None and given_back(data[good, counter[0]], told[good]):
            continue
        jumped, by = jumps(data, good, counter)
        for k in np.flatnonzero(jumped).tolist():
            words = f"byte {counter[0]} counted {int(by[k]):+d} beside its step"
            found.tell(int(at[k]), "sequence", words, 0.99)


def _stale(replies: Replies, ids: Ints, surprise: Bits, asked: Bytes | None, found: _Found) -> None:
    """Answers to the request before; they take the place of weaker words."""
    odd = surprise >= _ZERO_BITS
    for k in np.flatnonzero(answers_before(replies, ids) & odd).tolist():
        if found.fault[k] in ("", "slipped", "swapped", "sign", "sequence", "leftover"):
            found.fault[k] = ""
            found.tell(k, "stale", "the answer to the request before", 0.99)
    if asked is None:
        return
    for k in np.flatnonzero(echoes_before(replies, asked)).tolist():
        if found.fault[k] in ("", "slipped", "swapped", "sign", "sequence"):
            found.fault[k] = ""
            found.tell(k, "stale", "carries the request before", 0.97)


__all__ = ["FAULTS", "NEEDED_BITS", "SCHEMA", "reply_faults"]
