"""Replies that came before: stale ones, and targets whose content stands still.

A reply is stale when it is the answer to the request before: the same bytes as the reply before to
another request (or what that request is usually answered with), an echo of the request before, or
a whole reply again from a target that never repeats itself. It is frozen when it repeats for longer
than the target's own noise ever let it; a target that was constant from the start has no noise, and
says nothing.
"""

from __future__ import annotations

import numpy as np

from console.diagnosis.replies.stream import Bytes, Ints, Replies, Truths
from console.diagnosis.replies.usual import FEWEST, STEADY

FEWEST_RUNS = 20  # of equal replies, to know how long they are
LONGER = 4  # than the longest other run
LONGER_THAN_BESIDE = 6  # than the runs beside it: content that turns round stands still for long
SLOW = 5  # replies a run, beyond which content is slow
CHANCE = 1e-6  # of one false alarm in a whole stream
SELDOM = 0.1  # share of repeats beyond which a target is asked faster than it has something new
FEWEST_GIVEN = 8  # repeats of the bytes before, for what a byte adds to them to be known
KNOWN_ANSWER = 0.8  # share of the commonest reply to a request, for that to be its answer


def ids_of(replies: Replies) -> Ints:
    """A number for the content of each reply: equal content, equal number."""
    if not len(replies):
        return np.empty(0, np.int64)
    keyed = np.concatenate(
        [replies.data, replies.length.astype("<u2").view(np.uint8).reshape(-1, 2)], 1
    )
    whole = np.ascontiguousarray(keyed).view(np.dtype((np.void, keyed.shape[1])))[:, 0]
    ids: Ints = np.unique(whole, return_inverse=True)[1].astype(np.int64).reshape(-1)
    return ids


def frozen(ids: Ints, good: Truths) -> Truths:
    """Which replies of one shape repeat for longer than its own noise explains.

    Args:
        ids: int64[n] of their content, in time order.
        good: bool[n] those that count; the others are looked over.

    Returns:
        bool[n]; the first of a run that is too long is not among them.
    """
    found = np.zeros(len(ids), np.bool_)
    at = np.flatnonzero(good)
    if len(at) < FEWEST:
        return found
    begins = np.flatnonzero(np.append(True, np.diff(ids[at]) != 0))
    length = np.diff(begins, append=len(at))
    if len(length) < FEWEST_RUNS:
        return found
    order = np.argsort(length)[::-1]
    longest_other = np.full(len(length), length[order[0]])
    longest_other[order[0]] = _ordinary(length, order)
    beside = _beside(length)
    others = len(at) - length
    repeats = others - (len(length) - 1)
    share = (repeats + 1) / (others + 2)
    factor = np.where(others / (len(length) - 1) > SLOW, 2 * LONGER, LONGER)
    ordinary = np.minimum(longest_other, _ordinary(length, order))
    too_long = (
        (length > factor * ordinary)
        & (length > LONGER_THAN_BESIDE * beside)
        & (len(at) * share ** (length - 1) < CHANCE)
    )
    too_long[0] = False  # it stood still before it ever moved: it had not begun
    for k in np.flatnonzero(too_long).tolist():
        found[at[begins[k] + 1 : begins[k] + length[k]]] = True
    return found


def _ordinary(length: Ints, order: Ints) -> int:
    """The longest run that is none of a few far longer ones: freezes may come several times."""
    few = max(1, len(length) // 100)
    falls = [
        k
        for k in range(1, few + 1)
        if k < len(order) and length[order[k - 1]] > LONGER * length[order[k]]
    ]
    return int(length[order[falls[-1] if falls else 1]])


def _beside(length: Ints) -> Ints:
    """The longest of the two runs on each side."""
    padded = np.pad(length, 2)
    found: Ints = np.maximum.reduce([padded[:-4], padded[1:-3], padded[3:-1], padded[4:]])
    return found


def repeated(data: Bytes, ids: Ints, good: Truths, step: Ints) -> Truths:
    """Which replies of one shape are the one before again, where that is no chance.

    Args:
        data: uint8[n, k].
        ids: int64[n] of their content.
        good: bool[n] those that count.
        step: int64[k] the step of bytes that are counters.
    """
    found = np.zeros(len(ids), np.bool_)
    at = np.flatnonzero(good)
    if len(at) < FEWEST:
        return found
    same = data[at[1:]] == data[at[:-1]]
    whole = ids[at[1:]] == ids[at[:-1]]
    if whole.mean() > SELDOM:
        return found
    if step.any() or _by_chance(same[~whole]) * len(at) < CHANCE:
        found[at[1:][whole]] = True
    return found


def _by_chance(same: Truths) -> float:
    """How often a whole reply would repeat by chance, by how often its bytes do.

    A byte may depend on those before it (a check code does): where the two before it repeat often
    enough, only what it adds to them counts, and where that is not known, nothing.
    """
    chance = 1.0
    for place in range(same.shape[1]):  # of one reply: some tens
        for since in (max(place - 2, 0), max(place - 1, 0)):
            given = same[:, since:place].all(axis=1)
            if given.sum() >= FEWEST_GIVEN:
                chance *= (same[given, place].sum() + 1) / (given.sum() + 1)
                break
    return chance


def answers_before(replies: Replies, ids: Ints) -> Truths:
    """Which replies are the answer to the request before, as far as equal content shows it."""
    n = len(replies)
    found = np.zeros(n, np.bool_)
    if n < FEWEST or replies.shapes < 2:
        return found
    other = replies.request[1:] != replies.request[:-1]
    same = ids[1:] == ids[:-1]
    # of requests whose replies are alike anyway, equal replies say nothing
    code = replies.request[:-1] * (int(replies.request.max()) + 1) + replies.request[1:]
    _, pair = np.unique(code, return_inverse=True)
    count = np.bincount(pair, weights=other)
    alike = np.bincount(pair, weights=other & same)
    seldom = (alike <= SELDOM * count) & (count >= FEWEST)
    told = other & same & seldom[pair] & (replies.length[1:] >= 2)
    found[1:] = told
    answer, share = _answers(replies.request, ids)
    before, own = replies.request[:-1], replies.request[1:]
    known = (share[before] >= KNOWN_ANSWER) & (share[own] >= KNOWN_ANSWER)
    differ = answer[before] != answer[own]
    found[1:] |= other & known & differ & (ids[1:] == answer[before])
    return found


def _answers(request: Ints, ids: Ints) -> tuple[Ints, np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """The commonest reply to each request, and its share."""
    requests = int(request.max()) + 1
    code = request * (int(ids.max()) + 1) + ids
    values, counts = np.unique(code, return_counts=True)
    owner, content = values // (int(ids.max()) + 1), values % (int(ids.max()) + 1)
    order = np.lexsort((counts, owner))
    answer = np.full(requests, -1, np.int64)
    most = np.zeros(requests)
    answer[owner[order]] = content[order]  # of one owner the last stays: the commonest
    most[owner[order]] = counts[order]
    share = most / np.maximum(np.bincount(request, minlength=requests), 1)
    return answer, share


def echoes_before(replies: Replies, asked: Bytes) -> Truths:
    """Which replies carry the request before, where a byte of theirs repeats the request.

    Args:
        replies: n of them.
        asked: uint8[n, q] the bytes of the request of each.
    """
    n = len(replies)
    found = np.zeros(n, np.bool_)
    if n < FEWEST or not asked.shape[1]:
        return found
    for q in range(min(asked.shape[1], 4)):
        own = asked[:, q]
        if len(np.unique(own)) < 3:
            continue
        for c in range(min(replies.data.shape[1], 8)):
            echo = replies.data[:, c] == own
            if echo.mean() < STEADY:
                continue
            found[1:] |= ~echo[1:] & (replies.data[1:, c] == own[:-1])
    return found
