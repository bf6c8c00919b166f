"""Streams of replies as healthy targets give them, and what goes wrong with them, for tests.

A level sensor, a camera at the cap line, a scale: each stream is made from a seed. A mutator takes
a healthy stream and gives a faulty one with the truth: which replies it spoiled.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from console.diagnosis.replies.stream import Bytes, Ints, Replies, Truths
from decoders.checkcodes import check_code

Maker = Callable[[np.random.Generator, int], Replies]
CRC8 = check_code("CRC-8/NRSC-5")  # polynomial 31, init FF


def replies_from(data: Bytes, shape: Ints | None = None) -> Replies:
    """Replies from a matrix of bytes, one a millisecond.

    Args:
        data: uint8[n, k].
        shape: int64[n]; of one shape if left out. It stands for the request, too.
    """
    n, k = data.shape
    shapes = np.zeros(n, np.int64) if shape is None else shape
    return Replies(
        t_ns=np.arange(n, dtype=np.int64) * 1_000_000,
        row=np.arange(n, dtype=np.int64),
        length=np.full(n, k, np.int64),
        data=data,
        shape=shapes,
        request=shapes,
    )


def words(*columns: Ints, big: bool = True) -> Bytes:
    """Columns of 16-bit numbers as bytes."""
    kind = ">u2" if big else "<u2"
    stacked = np.stack([np.asarray(c) & 0xFFFF for c in columns], axis=1).astype(kind)
    return np.ascontiguousarray(stacked).view(np.uint8).reshape(len(columns[0]), -1)


def with_crc(data: Bytes) -> Bytes:
    """A CRC-8 behind each two bytes."""
    pairs = data.reshape(-1, 2)
    codes = CRC8.of_rows(pairs).astype(np.uint8)
    return np.concatenate([pairs, codes[:, np.newaxis]], axis=1).reshape(len(data), -1)


def _walk(rng: np.random.Generator, n: int, start: int, step: float) -> Ints:
    return (start + np.cumsum(rng.normal(0, step, n))).round().astype(np.int64)


def _fixed(n: int, text: str) -> Bytes:
    return np.tile(np.frombuffer(bytes.fromhex(text), np.uint8), (n, 1))


def noisy(rng: np.random.Generator, n: int) -> Replies:
    """Two noisy words, a CRC behind each."""
    first = _walk(rng, n, 26_000, 3) + rng.normal(0, 20, n).round().astype(np.int64)
    second = _walk(rng, n, 31_000, 2) + rng.normal(0, 60, n).round().astype(np.int64)
    return replies_from(with_crc(words(first, second)))


def slow(rng: np.random.Generator, n: int) -> Replies:
    """A status byte, a level that creeps, a fixed scale."""
    level = 2_600 + (400 * np.sin(np.arange(n) / 900 + rng.uniform(0, 6))).round().astype(np.int64)
    return replies_from(np.concatenate([_fixed(n, "81"), words(level), _fixed(n, "03E8")], axis=1))


def crossing(rng: np.random.Generator, n: int) -> Replies:
    """A slow signed word around 0 with a noisy end: FF FF is one of its values."""
    return replies_from(words(_walk(rng, n, 0, 1.5)))


def constant(rng: np.random.Generator, n: int) -> Replies:
    """Always the same bytes."""
    return replies_from(np.tile(rng.integers(0, 256, 6, np.uint8), (n, 1)))


def blank(rng: np.random.Generator, n: int) -> Replies:
    """Always FF: nothing was ever written there."""
    return replies_from(np.full((n, 4), 0xFF, np.uint8))


def counter(rng: np.random.Generator, n: int) -> Replies:
    """A sequence number, a noisy word, a fixed byte."""
    seq = (np.arange(n) + rng.integers(256)) & 0xFF
    noise = rng.normal(20_000, 50, n).round().astype(np.int64)
    return replies_from(
        np.concatenate([seq[:, np.newaxis].astype(np.uint8), words(noise), _fixed(n, "5A")], axis=1)
    )


def blocks(rng: np.random.Generator, n: int) -> Replies:
    """A camera's blocks: sync, type, length, number, four blocks, of which some are empty, sum."""
    head = _fixed(n, "AA55 21 10")
    seq = ((np.arange(n) + rng.integers(256)) & 0xFF)[:, np.newaxis].astype(np.uint8)
    body = rng.integers(0, 256, (n, 16), np.uint8)
    empty = rng.integers(0, 5, n)
    body[np.arange(16) >= 4 * (4 - empty[:, np.newaxis])] = 0
    whole = np.concatenate([head, seq, body], axis=1)
    return replies_from(
        np.concatenate([whole, whole.sum(axis=1, dtype=np.uint8)[:, np.newaxis]], 1)
    )


def text(rng: np.random.Generator, n: int) -> Replies:
    """A level as text."""
    level = np.clip(_walk(rng, n, 1_240, 2), 0, 9_999)
    lines = "".join(f"L={value:04d} mm,OK\r\n" for value in level)
    return replies_from(np.frombuffer(lines.encode(), np.uint8).reshape(n, -1))


def long_block(rng: np.random.Generator, n: int) -> Replies:
    """Forty bytes of noisy words."""
    return replies_from(
        words(*(rng.normal(9_000 + 700 * k, 30, n).round().astype(np.int64) for k in range(20)))
    )


def states(rng: np.random.Generator, n: int) -> Replies:
    """A state that lasts for some time and then is another, and a fixed byte."""
    changed = rng.random(n) < 0.03
    state = np.cumsum(np.where(changed, rng.integers(1, 4, n), 0)) % 4
    return replies_from(np.concatenate([_fixed(n, "10"), state[:, np.newaxis].astype(np.uint8)], 1))


def jumpy(rng: np.random.Generator, n: int) -> Replies:
    """A word that now and then is far off for one reply, as true things are."""
    value = rng.normal(5_000, 5, n).round().astype(np.int64)
    far = rng.random(n) < 0.002
    value[far] = rng.integers(0, 65_536, int(far.sum()))
    return replies_from(np.concatenate([words(value), _fixed(n, "0001")], axis=1))


def asked(rng: np.random.Generator, n: int) -> Replies:
    """Three things asked in turn: a level, a noisy weight, an identity."""
    kind = np.arange(n) % 3
    data = np.empty((n, 4), np.uint8)
    data[:, :] = words(_walk(rng, n, 9_000, 1), rng.normal(400, 6, n).round().astype(np.int64))
    data[kind == 1] = words(rng.normal(44_000, 40, n).round().astype(np.int64), np.full(n, 7))[
        kind == 1
    ]
    data[kind == 2] = np.frombuffer(bytes.fromhex("6C 01 42 77"), np.uint8)
    return replies_from(data, shape=kind.astype(np.int64))


def registers(rng: np.random.Generator, n: int) -> Replies:
    """Registers that stay as they are, some of them alike, asked at random."""
    kind = rng.integers(0, 5, n)
    content = rng.integers(0, 256, (5, 2), np.uint8)
    content[3] = content[4]
    return replies_from(content[kind], shape=kind.astype(np.int64))


def refilled(rng: np.random.Generator, n: int) -> Replies:
    """A level that falls slowly and is filled up in one step, low byte first, and its CRC."""
    level = (1_400 - (np.arange(n) * 3 + rng.integers(900)) % 1_100).astype(np.int64)
    level += rng.normal(0, 1.5, n).round().astype(np.int64)
    return replies_from(with_crc(words(level, big=False)))


def shaken(rng: np.random.Generator, n: int) -> Replies:
    """Three axes at rest, and now and then in a burst."""
    loud = np.zeros(n)
    for first in rng.integers(0, n - 20, 8):
        loud[first : first + rng.integers(3, 20)] = 1
    axes = rng.normal(0, 1, (n, 3)) * (2 + 3_000 * loud[:, np.newaxis])
    return replies_from(words(*axes.astype(np.int64).T))


def plateaus(rng: np.random.Generator, n: int) -> Replies:
    """A word that is somewhere else every fifty replies."""
    value = np.repeat(rng.integers(0, 65_536, n // 50 + 1), 50)[:n] + rng.integers(-2, 3, n)
    return replies_from(words(value, np.full(n, 9)))


def queue(rng: np.random.Generator, n: int) -> Replies:
    """Records of a queue, and 00 where it is empty, which it often is."""
    data = words(*rng.normal(3_000, 300, (3, n)).astype(np.int64))
    data[rng.random(n) < 0.08] = 0
    return replies_from(data)


def memory(rng: np.random.Generator, n: int) -> Replies:
    """Forty cells read in turn, some never written."""
    cells = rng.integers(0, 256, (40, 4), np.uint8)
    cells[::7] = 0xFF
    return replies_from(cells[np.arange(n) % 40])


def late_start(rng: np.random.Generator, n: int) -> Replies:
    """A level that stands still until the line is started."""
    value = np.full(n, 100)
    value[n // 2 :] += np.cumsum(rng.integers(-2, 3, n - n // 2))
    return replies_from(words(value))


HEALTHY: dict[str, Maker] = {
    each.__name__: each
    for each in (
        noisy, slow, crossing, constant, blank, counter, blocks, text, long_block, states, jumpy,
        asked, registers, refilled,
        shaken, plateaus, queue, memory, late_start,
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Spoiled:
    """A faulty stream and the truth about it."""

    replies: Replies
    truth: Truths  # [n] which replies were spoiled so that it can be seen
    either: Truths  # [n] which were spoiled within their own noise: no matter what is said of them


Mutator = Callable[[np.random.Generator, Replies], Spoiled]

RATE = 0.01


def _picked(rng: np.random.Generator, replies: Replies, longest: int = 5) -> Ints:
    """Places to spoil: alone or a few in a row, none at the begin."""
    n = len(replies)
    begins = rng.choice(np.arange(70, n - 80), max(2, int(RATE * n / 3)), replace=False)
    spans = [np.arange(b, b + rng.integers(1, longest + 1)) for b in begins]
    return np.unique(np.concatenate(spans))


def _spoiled(replies: Replies, data: Bytes, at: Ints) -> Spoiled:
    """What differs from the healthy stream is the truth."""
    truth = np.zeros(len(replies), np.bool_)
    truth[at] = (data[at] != replies.data[at]).any(axis=1)
    return Spoiled(replace(replies, data=data), truth, np.zeros_like(truth))


def filler(rng: np.random.Generator, replies: Replies) -> Spoiled:
    """Nobody drives the line: FF."""
    at, data = _picked(rng, replies, 60), replies.data.copy()
    data[at] = 0xFF
    return _spoiled(replies, data, at)


def padded(rng: np.random.Generator, replies: Replies) -> Spoiled:
    """A buffer that ends early: FF from there on."""
    at, data = _picked(rng, replies), replies.data.copy()
    cap = 32 if data.shape[1] > 32 else max(2, data.shape[1] // 2)
    data[at, cap:] = 0xFF
    return _spoiled(replies, data, at)


def leftover(rng: np.random.Generator, replies: Replies) -> Spoiled:
    """The reply begins with the end of the one before; more of it from reply to reply."""
    at, data = _picked(rng, replies), replies.data.copy()
    width = data.shape[1]
    shift = 0
    for k in range(len(at)):
        shift = shift + 1 if k and at[k] == at[k - 1] + 1 else 1
        m = min(shift, width // 2)
        tail = replies.data[at[k] - 1, width - m :]
        data[at[k]] = np.concatenate([tail, replies.data[at[k], : width - m]])
    return _spoiled(replies, data, at)


def slipped(rng: np.random.Generator, replies: Replies) -> Spoiled:
    """One byte was lost, and one of the next reply stands behind."""
    at, data = _picked(rng, replies), replies.data.copy()
    data[at] = np.roll(data[at], -1, axis=1)
    data[at, -1] = rng.integers(0, 256, len(at))
    return _spoiled(replies, data, at)


def swapped(rng: np.random.Generator, replies: Replies) -> Spoiled:
    """The first word that moves, its bytes in the other order."""
    at, data = _picked(rng, replies), replies.data.copy()
    c = 1 if data.shape[1] in (4, 5) else 0
    data[at, c], data[at, c + 1] = replies.data[at, c + 1], replies.data[at, c]
    found = _spoiled(replies, data, at)
    # words whose bytes are nearly alike stay within their own noise
    near = found.truth & (np.abs(data[:, c].astype(int) - replies.data[:, c]) < 16)
    return replace(found, truth=found.truth & ~near, either=near)


def negated(rng: np.random.Generator, replies: Replies) -> Spoiled:
    """The first word that moves with the other sign."""
    at, data = _picked(rng, replies), replies.data.copy()
    c = 1 if data.shape[1] in (4, 5) else 0
    word = -(data[at, c].astype(np.int64) * 256 + data[at, c + 1])
    data[at, c : c + 2] = words(word)
    return _spoiled(replies, data, at)


def again(rng: np.random.Generator, replies: Replies) -> Spoiled:
    """The reply before once more."""
    at, data = _picked(rng, replies, 1), replies.data.copy()
    data[at] = data[at - 1]
    return _spoiled(replies, data, at)


def late_answer(rng: np.random.Generator, replies: Replies) -> Spoiled:
    """The answer to the request before."""
    return again(rng, replies)


def still(rng: np.random.Generator, replies: Replies) -> Spoiled:
    """The content stands still for 300 replies."""
    first = int(rng.integers(100, len(replies) - 400))
    at, data = np.arange(first + 1, first + 300), replies.data.copy()
    data[at] = data[first]
    truth = np.zeros(len(replies), np.bool_)
    truth[at] = True
    return Spoiled(replace(replies, data=data), truth, np.zeros_like(truth))


def skipped(rng: np.random.Generator, replies: Replies) -> Spoiled:
    """Replies are lost: the counter of the next one jumps."""
    n = len(replies)
    lost = np.sort(rng.choice(np.arange(80, n - 80, 5), int(RATE * n), replace=False))
    keep = np.ones(n, np.bool_)
    keep[lost] = False
    after = np.zeros(n, np.bool_)
    after[lost + 1] = True
    data = replies.data[keep]
    return Spoiled(replies_from(data), after[keep], np.zeros(len(data), np.bool_))


@dataclass(frozen=True, slots=True)
class Case:
    """A fault, how it is made, and on which streams it can be seen."""

    fault: str
    mutator: Mutator
    streams: tuple[str, ...]


CASES = (
    Case("filler", filler, ("noisy", "slow", "counter", "blocks", "text", "long_block")),
    Case("padded", padded, ("noisy", "slow", "counter", "blocks", "text", "long_block")),
    Case("leftover", leftover, ("noisy", "slow", "counter", "blocks", "text", "long_block")),
    Case("slipped", slipped, ("noisy", "slow", "blocks", "text", "long_block")),
    Case("swapped", swapped, ("noisy", "slow", "counter", "long_block")),
    Case("sign", negated, ("noisy", "slow", "counter", "long_block")),
    Case("stale", again, ("counter", "blocks", "long_block")),
    Case("stale", late_answer, ("asked", "registers")),
    Case("frozen", still, ("noisy", "crossing", "counter", "blocks", "long_block")),
    Case("sequence", skipped, ("counter", "blocks")),
)
