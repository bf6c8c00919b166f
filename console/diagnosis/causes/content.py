"""Signs in the bytes of replies: frozen, left over, rotated, mixed, always the same wrong pair."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.diagnosis.causes.traffic import Traffic, runs_of
from console.diagnosis.scene import Bools

Floats = npt.NDArray[np.float64]

_FEWEST = 30  # replies from which a device's own habits can be told
_LATEST = 400  # replies, the last, in which rotations are looked for
_LATEST_CARRIED = 5_000
_LEFT_AT_MOST = 4  # bytes of the previous reply that may stay in a FIFO


@dataclass(frozen=True, slots=True)
class Frozen:
    """The longest run of one payload, beside those before it; in polls of one request."""

    run: int
    usual_run: int  # the longest before
    begins_ns: int
    lasts: bool  # to the end
    total: int

    @property
    def beyond(self) -> bool:
        """Whether its own noise never came near such a run.

        A device whose runs were r at most repeats a value with probability 1 - 1/r or so at each
        poll: a run of 12 r by chance has probability about e^-12.
        """
        return self.run >= max(12, 12 * self.usual_run) and self.usual_run < self.total / 8


def frozen_of(replies: pl.DataFrame) -> Frozen | None:
    """Of the replies to the commonest request; None with too few."""
    common = commonest(replies)
    if common.height < _FEWEST:
        return None
    data = common["data"]
    same = (data == data.shift(1)).fill_null(value=False).to_numpy()
    begins, lengths = runs_of(same)
    if not len(begins):
        return Frozen(1, 1, 0, lasts=False, total=common.height)
    best = int(np.argmax(lengths))
    others = np.delete(lengths, best)
    return Frozen(
        run=int(lengths[best]) + 1,
        usual_run=int(others.max(initial=0)) + 1,
        begins_ns=int(common["start_ns"][int(begins[best])]),
        lasts=bool(begins[best] + lengths[best] == common.height),
        total=common.height,
    )


def commonest(replies: pl.DataFrame) -> pl.DataFrame:
    """The replies of the request and length that are most frequent."""
    if not replies.height:
        return replies
    counts = replies.group_by("asked", "length").len().sort("len", "asked", "length")
    asked, length, _ = counts.row(-1)
    return replies.filter((pl.col("asked") == asked) & (pl.col("length") == length))


def leftovers_of(replies: pl.DataFrame) -> tuple[int, int, int]:
    """Replies that begin with the end of the one before: how many in the longest run, its shift,
    and where it begins (ns).

    A shift of m counts where the reply's first m bytes are the last m of the one before, or where
    all but the first m bytes of a reply are the beginning that the one before it should have had.
    """
    common = commonest(replies).tail(_LATEST_CARRIED)
    payload = [bytes.fromhex(data) for data in common["data"].to_list()]
    best = (0, 0, 0)
    for shift in range(1, _LEFT_AT_MOST + 1):
        flags = _carried(payload, shift)
        begins, lengths = runs_of(flags)
        if len(lengths) and int(lengths.max()) > best[0]:
            k = int(np.argmax(lengths))
            best = (int(lengths[k]), shift, int(common["start_ns"][int(begins[k])]))
    return best


def _carried(payload: Sequence[bytes], shift: int) -> Bools:
    """bool[n]: whether reply k begins with the last bytes of reply k - 1, and these say something.

    Bytes that stand at the same place in most replies say nothing.
    """
    heads = Counter(each[:shift] for each in payload if len(each) > shift)
    usual = {head for head, count in heads.items() if count > 0.2 * len(payload)}
    flags = np.zeros(len(payload), np.bool_)
    for k in range(1, len(payload)):
        before, now = payload[k - 1], payload[k]
        flags[k] = (
            len(now) > shift
            and len(before) > shift
            and now[:shift] == before[-shift:]
            and now[:shift] not in usual
            and now != before
        )
    return flags


@dataclass(frozen=True, slots=True)
class Rotated:
    """From one reply on, the fields of a record stand one or more places further."""

    shift: int  # bytes
    from_ns: int
    fit_before: float  # mean distance of each byte position's mean, unshifted
    fit_after: float


def rotated_of(replies: pl.DataFrame) -> Rotated | None:
    """The rotation of fields after which the second part of a life fits the first.

    Each byte position has a mean and a spread of its own; if those of the later part are those of
    the earlier part a few positions on, the fields have moved. None where they have not.
    """
    common = commonest(replies).tail(_LATEST)
    length = int(common["length"][0]) if common.height else 0
    if common.height < _FEWEST or length < 4:
        return None
    table: Floats = np.array(
        [list(bytes.fromhex(data)) for data in common["data"].to_list()], np.float64
    )
    best: Rotated | None = None
    for cut in range(10, len(table) - 7, 1):
        stats = _profile(table[:cut])
        late = table[cut:]
        straight = _distance(late, stats, 0)
        for shift in range(1, length):
            turned = _distance(late, stats, shift)
            if turned < 0.35 * straight and (best is None or turned < best.fit_after):
                at = int(common["start_ns"][cut])
                best = Rotated(shift, at, straight, turned)
    return best


def _profile(rows: Floats) -> tuple[Floats, Floats]:
    return np.median(rows, axis=0), np.maximum(rows.std(axis=0), 2.0)


def _distance(rows: Floats, profile: tuple[Floats, Floats], shift: int) -> float:
    """Mean distance in spreads from the profile turned by so many positions."""
    middle, spread = (np.roll(each, shift) for each in profile)
    return float(np.mean(np.minimum(np.abs(rows - middle) / spread, 20)))


def two_contents(replies: pl.DataFrame) -> tuple[int, int]:
    """How often the first two bytes change, and how many values they have, if that is two."""
    common = commonest(replies)
    firsts = common["data"].str.slice(0, 4)
    kinds = firsts.unique()
    if kinds.len() != 2 or common.height < _FEWEST:
        return 0, kinds.len()
    return int((firsts != firsts.shift(1)).sum()), 2


def wrong_pairs(bad: pl.DataFrame | None, traffic: Traffic) -> tuple[int, int, bool]:
    """Of wrong replies: how many are the same, how many there are, and whether that one passed."""
    if bad is None or not bad.height:
        return 0, 0, False
    (data, count) = Counter(bad["data"].to_list()).most_common(1)[0]
    good = traffic.replies.filter(~pl.col("start_ns").is_in(bad["start_ns"].implode()))
    return count, bad.height, bool((good["data"] == data).any())
